"""Values to bytes: each kind of paper is a template and a stylesheet, printed by WeasyPrint."""

from wholesale.documents.kinds import KINDS, Kind

__all__ = ["KINDS", "Kind"]
