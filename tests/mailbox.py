"""The e-mails that the file backend put into the test's folder."""

import email
from email.message import Message
from pathlib import Path

from django.conf import settings

#: What the backend writes after each e-mail; two sent in one second may share a file.
_RULE = b"\n" + b"-" * 79 + b"\n"


def empty() -> None:
    """Take away the e-mails of the tests before."""
    for path in (Path(settings.VAR_DIR) / "mail").glob("*"):
        path.unlink()


def sent_mail() -> list[Message]:
    """Every e-mail in the folder, however many a file holds."""
    folder = Path(settings.VAR_DIR) / "mail"
    texts = [path.read_bytes() for path in folder.iterdir()] if folder.exists() else []
    parts = [part for text in texts for part in text.split(_RULE) if part.strip()]
    return [email.message_from_bytes(part) for part in parts]
