#!/usr/bin/env python3
"""Django's command line for Balance Rail."""

import os
import sys

if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:
        if "--traceback" in sys.argv:
            raise
        sys.exit(f"A setting is wrong. {error}")
