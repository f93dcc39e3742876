"""The door of the web server: ``gunicorn wholesale.config.wsgi``."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "wholesale.config.settings")

application = get_wsgi_application()
