"""The door of the web server: ``gunicorn wholesale.config.wsgi``."""

import gc
import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "wholesale.config.settings")

application = get_wsgi_application()
# Every page's code is loaded before the first one is asked for, and stays for good: left to the
# collector, it would be gone through again and again, for a tenth of a second in the middle of a promise.
_ = get_resolver().url_patterns
gc.collect()
gc.freeze()
