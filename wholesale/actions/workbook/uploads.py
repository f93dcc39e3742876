"""A workbook uploaded by the maker: looked through first, then loaded as it was shown, byte for byte."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from secrets import token_hex

from django.core import signing
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import workbook
from wholesale.actions.workbook.changes import Report
from wholesale.core.values import Conflict, NotAllowed
from wholesale.documents.spreadsheet import opened
from wholesale.queries import workbook as present

#: How long what was shown may be confirmed.
HOLDS = timedelta(minutes=30)
_FOLDER = "workbooks"
_STAMP = "%Y%m%dT%H%M%S"
_SALT = "wholesale.workbook"


@dataclass(frozen=True, kw_only=True)
class Looked:
    """What loading an upload would change, and the token that confirms just that."""

    report: Report
    token: str


def look(*, by: User, content: bytes) -> Looked:
    """Keep an upload and say what loading it would change; ``WorkbookRefused`` lists its mistakes."""
    _maker(by)
    data = present.fingerprint()
    report = workbook.load(files=opened(content), by=by, dry_run=True, on=data)
    name = f"{_FOLDER}/{clock.now().astimezone(UTC):{_STAMP}}-{token_hex(16)}"
    kept = default_storage.save(name, ContentFile(content))
    _sweep()
    told = {"file": kept, "digest": sha256(content).hexdigest(), "data": data, "by": by.pk}
    return Looked(report=report, token=signing.dumps(told, salt=_SALT))


def confirm(*, by: User, token: str) -> Report:
    """Load the upload that ``look`` has shown.

    A ``Conflict`` when it was shown too long ago, or to somebody else, is loaded
    already, or anything was changed here since.
    """
    _maker(by)
    try:
        told = signing.loads(token, salt=_SALT)
    except signing.BadSignature:
        raise _gone() from None
    content = _kept(told["file"])
    if content is None or told["by"] != by.pk or sha256(content).hexdigest() != told["digest"]:
        raise _gone()
    report = workbook.load(files=opened(content), by=by, on=told["data"])
    default_storage.delete(told["file"])
    return report


def _maker(by: User) -> None:
    if not access.is_maker(by):
        raise NotAllowed("maker_only", "Only the maker may load the workbook.")


def _gone() -> Conflict:
    return Conflict("upload_gone", "What was shown can't be loaded any more; nothing was changed. Upload it again.")


def _kept(name: str) -> bytes | None:
    if _is_old(name.rpartition("/")[2]) or not default_storage.exists(name):
        return None
    with default_storage.open(name) as file:
        return bytes(file.read())


def _sweep() -> None:
    """Throw away uploads that nobody has confirmed in time."""
    for name in default_storage.listdir(_FOLDER)[1]:
        if _is_old(name):
            default_storage.delete(f"{_FOLDER}/{name}")


def _is_old(name: str) -> bool:
    """By the stamp in its name: the storage's clock may be another one."""
    try:
        kept_at = datetime.strptime(name.rpartition("-")[0], _STAMP).replace(tzinfo=UTC)
    except ValueError:
        return True
    return not kept_at <= clock.now() < kept_at + HOLDS
