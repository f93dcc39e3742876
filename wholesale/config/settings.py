"""Settings, read from the environment once, at the start.

Two modes. ``embedded`` (the default) needs no server: SQLite, a broker made of
folders, e-mail as files, all under ``var/``. ``service`` runs the same code on
PostgreSQL, Redis and SMTP behind a proxy, and refuses to start without them.
Every variable that is read here is explained in ``.env.example``.
"""

import secrets
from pathlib import Path
from typing import Any

import environ

env = environ.Env()
BASE_DIR = Path(__file__).resolve().parents[2]

CASEWRIGHT_MODE: str = env.str("CASEWRIGHT_MODE", "embedded")
SERVICE: bool = CASEWRIGHT_MODE == "service"
VAR_DIR = Path(env.str("CASEWRIGHT_VAR", "") or BASE_DIR / "var")


def _folder(*parts: str) -> Path:
    """Return a folder under ``var/``, made if it is missing."""
    path = VAR_DIR.joinpath(*parts)
    path.mkdir(parents=True, exist_ok=True)
    return path


def _needed(name: str, embedded_default: str) -> str:
    """Return the variable `name`; only the embedded mode may leave it out.

    Raises ``ImproperlyConfigured`` in the service mode when it is not set.
    """
    return str(env.str(name) if SERVICE else env.str(name, embedded_default))


def _kept_secret_key() -> str:
    """Return the embedded mode's key: made once, kept under ``var/``, for its owner only."""
    path = _folder() / "secret-key"
    if not path.exists():
        path.touch(mode=0o600)
        path.write_text(secrets.token_urlsafe(64))
    return path.read_text()


# --- What this installation is ---------------------------------------------------

DEBUG: bool = env.bool("DEBUG", False)
SECRET_KEY: str = env.str("SECRET_KEY") if SERVICE else env.str("SECRET_KEY", "") or _kept_secret_key()
ALLOWED_HOSTS: list[str] = _needed("ALLOWED_HOSTS", "localhost,127.0.0.1,[::1]").split(",")
# The address people type; e-mails link to it.
CASEWRIGHT_SITE_URL: str = _needed("CASEWRIGHT_SITE_URL", "http://localhost:8000").rstrip("/")

ROOT_URLCONF = "wholesale.config.urls"
WSGI_APPLICATION = "wholesale.config.wsgi.application"

INSTALLED_APPS = [
    "accounts",
    "wholesale",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.messages",
    "django.contrib.sessions",
    "django.contrib.staticfiles",
    "django_htmx",
    "drf_spectacular",
    "rest_framework",
    "rest_framework.authtoken",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "wholesale.web.middleware.content_security_policy",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "wholesale.web.middleware.lost_form",
]

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "wholesale.web.context.page",
            ],
            "libraries": {"casewright": "wholesale.web.templatetags.casewright"},
        },
    },
]

# A message's level, as the state that the notices of `templates/components` know.
MESSAGE_TAGS = {20: "note", 25: "well", 30: "look", 40: "stopped"}

# --- Time and language -----------------------------------------------------------

LANGUAGE_CODE = "en"
USE_I18N = True
USE_TZ = True
CASEWRIGHT_TIME_ZONE: str = env.str("CASEWRIGHT_TIME_ZONE", "America/New_York")
TIME_ZONE = CASEWRIGHT_TIME_ZONE
# Empty: real time. Else the local time at which the one clock stands (wholesale.clock).
CASEWRIGHT_NOW: str = env.str("CASEWRIGHT_NOW", "")
CASEWRIGHT_NOW_FILE: str = env.str("CASEWRIGHT_NOW_FILE", "")

# --- Rows ------------------------------------------------------------------------

DATABASES: dict[str, dict[str, Any]] = {
    "default": env.db_url_config(_needed("DATABASE_URL", f"sqlite:///{VAR_DIR / 'casewright.sqlite3'}")),
}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    _folder()
    DATABASES["default"]["OPTIONS"] = {
        # Take the write lock at the start: two writers wait instead of failing half-way.
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL;",
    }
else:
    DATABASES["default"]["CONN_MAX_AGE"] = 60
    DATABASES["default"]["CONN_HEALTH_CHECKS"] = True
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

# --- Background work -------------------------------------------------------------

CELERY_BROKER_URL: str = _needed("CELERY_BROKER_URL", "filesystem://")
CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, Any] = {}
if CELERY_BROKER_URL.startswith("filesystem:"):
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "data_folder_in": str(_folder("broker", "messages")),
        "data_folder_out": str(_folder("broker", "messages")),
        "control_folder": str(_folder("broker", "control")),
    }
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_IMPORTS = ["wholesale.tasks"]
CELERY_TASK_DEFAULT_QUEUE = "casewright"
# The row holds the outcome, so no result is kept anywhere else.
CELERY_TASK_IGNORE_RESULT = True
# A row claimed for 300 s is taken again: its first worker must have let go by then.
CELERY_TASK_SOFT_TIME_LIMIT = 240
CELERY_TASK_TIME_LIMIT = 270
# A row that failed is tried again after so many seconds each, then given up.
CASEWRIGHT_ERRAND_PAUSES = (10, 60, 300)
# A row unclaimed for so many seconds has lost its wake-up; one claimed for so many, its worker.
CASEWRIGHT_ERRAND_UNCLAIMED = 60
CASEWRIGHT_ERRAND_CLAIMED = 300
CELERY_TIMEZONE = TIME_ZONE
CELERY_BEAT_SCHEDULE_FILENAME = str(_folder("timer") / "schedule")
CELERY_BEAT_SCHEDULE = {
    "sweep": {"task": "wholesale.sweep", "schedule": 15.0, "options": {"expires": 15.0}},
}
CELERY_WORKER_HIJACK_ROOT_LOGGER = False

# One cache for all web processes: throttles count across them.
CACHES = {
    "default": env.cache_url_config(_needed("CACHE_URL", f"filecache://{_folder('cache')}")),
}

# --- Files -----------------------------------------------------------------------

CASEWRIGHT_S3_BUCKET: str = env.str("CASEWRIGHT_S3_BUCKET", "")
_papers: dict[str, Any] = {
    "BACKEND": "django.core.files.storage.FileSystemStorage",
    # No base_url: a paper is only ever handed out by a page that checks who asks.
    "OPTIONS": {"location": str(VAR_DIR / "papers"), "file_permissions_mode": 0o600},
}
if CASEWRIGHT_S3_BUCKET:
    _papers = {
        "BACKEND": "storages.backends.s3.S3Storage",
        "OPTIONS": {
            "bucket_name": CASEWRIGHT_S3_BUCKET,
            "endpoint_url": env.str("CASEWRIGHT_S3_ENDPOINT", "") or None,
            "access_key": env.str("CASEWRIGHT_S3_ACCESS_KEY"),
            "secret_key": env.str("CASEWRIGHT_S3_SECRET_KEY"),
            "default_acl": None,
            "file_overwrite": False,
        },
    }
STATIC_URL = "/static/"
STATIC_ROOT = Path(env.str("CASEWRIGHT_STATIC_ROOT", "") or _folder("static"))
# The service serves what `collectstatic` gathered, under names that carry a digest;
# the embedded mode serves the files where they lie.
WHITENOISE_USE_FINDERS = not SERVICE
_static = (
    "whitenoise.storage.CompressedManifestStaticFilesStorage"
    if SERVICE
    else "django.contrib.staticfiles.storage.StaticFilesStorage"
)
STATICFILES_DIRS = [BASE_DIR / "wholesale" / "web" / "static"]
STORAGES = {"default": _papers, "staticfiles": {"BACKEND": _static}}

# --- E-mail ----------------------------------------------------------------------

globals().update(env.email_url_config(_needed("EMAIL_URL", f"filemail:///{_folder('mail')}")))
EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL: str = _needed("DEFAULT_FROM_EMAIL", "bench@mossgate.example")
SERVER_EMAIL = DEFAULT_FROM_EMAIL

# --- Who may come in -------------------------------------------------------------

AUTH_USER_MODEL = "accounts.User"
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": f"django.contrib.auth.password_validation.{name}"}
    for name in (
        "UserAttributeSimilarityValidator",
        "MinimumLengthValidator",
        "CommonPasswordValidator",
        "NumericPasswordValidator",
    )
]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "/"
# The workshop opens accounts; nobody signs up by themselves.
ACCOUNT_ADAPTER = "accounts.adapter.ClosedSignUpAdapter"
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*", "password2*"]
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_EMAIL_VERIFICATION = "optional"
ACCOUNT_EMAIL_SUBJECT_PREFIX = ""
# Stay signed in without asking; one address each; no mail to addresses we don't know.
ACCOUNT_SESSION_REMEMBER = True
ACCOUNT_CHANGE_EMAIL = True
ACCOUNT_EMAIL_UNKNOWN_ACCOUNTS = False
ACCOUNT_DEFAULT_HTTP_PROTOCOL = "https" if SERVICE else "http"
MFA_SUPPORTED_TYPES = ["totp", "recovery_codes"]
MFA_TOTP_ISSUER = "Casewright"
# An address is the workshop's word, not a stranger's, so nobody is locked out by a claim to it.
MFA_ALLOW_UNVERIFIED_EMAIL = True

# How many proxies stand before us and may be believed about the caller's address.
CASEWRIGHT_PROXIES: int = env.int("CASEWRIGHT_PROXIES", 1 if SERVICE else 0)
ALLAUTH_TRUSTED_PROXY_COUNT = CASEWRIGHT_PROXIES

REST_FRAMEWORK: dict[str, Any] = {
    # The first one decides that a caller without rights is told 401, not 403.
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "rest_framework.authentication.TokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_THROTTLE_CLASSES": [
        "rest_framework.throttling.AnonRateThrottle",
        "rest_framework.throttling.UserRateThrottle",
    ],
    "DEFAULT_THROTTLE_RATES": {
        "anon": env.str("CASEWRIGHT_RATE_ANONYMOUS", "30/min"),
        "user": env.str("CASEWRIGHT_RATE_USER", "300/min"),
    },
    "NUM_PROXIES": CASEWRIGHT_PROXIES,
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
    "EXCEPTION_HANDLER": "wholesale.api.errors.answer",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Casewright",
    "DESCRIPTION": "Orders by the case, the dates they leave, and the papers that go with them.",
    "VERSION": "1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SERVE_PERMISSIONS": ["rest_framework.permissions.IsAuthenticated"],
}

# --- On the way ------------------------------------------------------------------

SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SECURE = SERVICE
CSRF_COOKIE_SECURE = SERVICE
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
if SERVICE:
    # The proxy ends TLS and always sets this header itself.
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_SSL_REDIRECT = True
    # The health check comes from inside, past the proxy.
    SECURE_REDIRECT_EXEMPT = [r"^healthz$"]
    SECURE_HSTS_SECONDS = env.int("CASEWRIGHT_HSTS_SECONDS", 31_536_000)
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    CSRF_TRUSTED_ORIGINS = [CASEWRIGHT_SITE_URL]

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": env.str("LOG_LEVEL", "INFO")},
    # Making one paper would say a dozen lines of no news.
    "loggers": {name: {"level": "WARNING"} for name in ("fontTools", "weasyprint", "weasyprint.progress")},
}
