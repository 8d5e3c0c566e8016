"""The entry for a web server."""

import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
application = get_wsgi_application()
# Every page is loaded now: otherwise the first person at each worker waits two seconds for it.
get_resolver().url_patterns  # noqa: B018
