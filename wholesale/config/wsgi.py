"""The door of the web server: ``gunicorn wholesale.config.wsgi``."""

import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

from wholesale.config.memory import settle

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "wholesale.config.settings")

application = get_wsgi_application()
# Every page's code is loaded before the first one is asked for.
_ = get_resolver().url_patterns
settle()
