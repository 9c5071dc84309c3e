"""Entry point of the web process."""

import gc
import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "labsite.settings")

application = get_wsgi_application()

# Load every view now, not in somebody's first request. What is loaded stays for good, so the
# collector need not walk it again and again: that held a request for a tenth of a second.
get_resolver().url_patterns  # noqa: B018
gc.collect()
gc.freeze()
