"""What every sheet of a workbook has: rows with a key, and columns that say what may stand in them."""

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields
from typing import Any, ClassVar, NamedTuple

from wholesale.core.workbook.cells import Kind


class Column(NamedTuple):
    """One column: what may stand in it, and what an empty cell is read as."""

    kind: Kind[Any]
    default: Any

    @property
    def is_needed(self) -> bool:
        """Whether the column must be there and filled in."""
        return self.default is MISSING


@dataclass(frozen=True, kw_only=True)
class Row:
    """One row; ``row`` is its number as the spreadsheet shows it (the header is row 1), ``raw`` what stands in it.

    ``FILE`` is the sheet's file; ``KEY`` the columns no two rows may share;
    ``OPTIONAL`` files may be missing, and then leave what is stored alone.
    """

    FILE: ClassVar[str]
    KEY: ClassVar[tuple[str, ...]]
    OPTIONAL: ClassVar[bool] = False

    row: int = field(default=0, compare=False)
    raw: Mapping[str, str] = field(default_factory=dict, compare=False, repr=False)

    @classmethod
    def columns(cls) -> dict[str, Column]:
        """The columns by name, in order."""
        own = [column for column in fields(cls) if column.name not in {"row", "raw"}]
        return {c.name: Column(c.type.__metadata__[0], c.default) for c in own}  # type: ignore[union-attr]

    @classmethod
    def called(cls) -> str:
        """The sheet's name where a workbook is one file."""
        return cls.FILE.removesuffix(".csv")

    @classmethod
    def meaning(cls) -> str:
        """What one row is, in a sentence."""
        return (cls.__doc__ or "").partition("\n")[0].replace("``", "")

    @property
    def key(self) -> tuple[Any, ...]:
        """The values of the key columns."""
        return tuple(getattr(self, name) for name in self.KEY)

    @property
    def label(self) -> str:
        """The key as it stands in the sheet."""
        return " ".join(text for name in self.KEY if (text := self.raw.get(name, "")))

    def written(self) -> list[str]:
        """The row's cells, in the order of its columns."""
        return [column.kind.write(getattr(self, name)) for name, column in self.columns().items()]
