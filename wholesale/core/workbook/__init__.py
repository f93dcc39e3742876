"""The workbook: the workshop's sheets as text, read into typed rows and checked before anything is written."""
