"""The REST interface and its OpenAPI description."""
