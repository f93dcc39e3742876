#!/usr/bin/env python
"""Casewright on the command line: ``python manage.py help``."""

import os
import sys


def main() -> None:
    """Run the management command named in the arguments."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "wholesale.config.settings")
    from django.core.management import execute_from_command_line  # noqa: PLC0415  (settings first)

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
