"""The papers of the trade as frozen values; how they look is the business of ``wholesale.documents``."""
