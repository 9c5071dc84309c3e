#!/usr/bin/env python3
"""Django's command line for Wornproof."""

import os
import sys


def main() -> None:
    """Run one management command."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "labsite.settings")
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:
        # The sentence names the variable; the way through the code helps nobody here.
        sys.exit(f"Wornproof cannot start: {error}")


if __name__ == "__main__":
    main()
