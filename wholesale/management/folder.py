"""A folder of files as names and bytes."""

from pathlib import Path

from django.core.management.base import CommandError

#: The demo workshop that comes with the project.
MOSSGATE = Path(__file__).parent / "mossgate"


def read_folder(folder: Path) -> dict[str, bytes]:
    """The content of each file in a folder; hidden files (a spreadsheet's locks) don't count.

    A folder inside stands there without content, so that the workbook can say it does not belong.
    """
    if not folder.is_dir():
        message = f"There is no folder '{folder}'. Name the folder that holds the workbook's CSV files, or its .xlsx."
        raise CommandError(message)
    found = sorted(path for path in folder.iterdir() if not path.name.startswith("."))
    return {path.name: path.read_bytes() if path.is_file() else b"" for path in found}
