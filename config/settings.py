"""Settings of every environment: read from the environment, refusing to start on what is missing."""

import os
from pathlib import Path
from typing import Any

import environ
from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured
from django.utils.translation import gettext_lazy as _

from config.env import database_config
from config.logs import without_trace
from config.refusals import refusals

BASE_DIR = Path(__file__).resolve().parent.parent
env = environ.Env()

ENVIRONMENT = env.str("ROUNDBOOK_ENV", default="dev")
if ENVIRONMENT not in {"dev", "test", "production"}:
    raise ImproperlyConfigured("ROUNDBOOK_ENV must be dev, test or production.")
PRODUCTION = ENVIRONMENT == "production"
TESTING = ENVIRONMENT == "test"
DEBUG = False
# Read where files are read into columns: handing their parts round among threads costs more than it saves.
os.environ.setdefault("POLARS_MAX_THREADS", "1")

if PRODUCTION and (found := refusals(os.environ)):
    raise ImproperlyConfigured("Roundbook does not start like this:\n- " + "\n- ".join(found))

SECRET_KEY = env.str("ROUNDBOOK_SECRET_KEY", default="only-for-trying-out-" + "x" * 40)
JOURNAL_KEPT_YEARS = max(env.int("ROUNDBOOK_JOURNAL_KEPT_YEARS", default=10), 1)
SEAL_KEYS_BEFORE = env.list("ROUNDBOOK_SEAL_KEYS_BEFORE", default=[])
"""Secret keys used earlier: seals signed with them still verify; nothing new is signed with them."""
ALLOWED_HOSTS = env.list("ROUNDBOOK_HOSTS", default=["localhost", "127.0.0.1", "[::1]", "testserver"])
CSRF_TRUSTED_ORIGINS = env.list("ROUNDBOOK_ORIGINS", default=[])

# --- Database: migrations run as owner, everything else as the application role -------------------------
DB_ROLE = env.str("ROUNDBOOK_DB_ROLE", default="app")
APP_ROLE = env.str("ROUNDBOOK_APP_ROLE", default="roundbook_app")
if DB_ROLE not in {"app", "owner"}:
    raise ImproperlyConfigured("ROUNDBOOK_DB_ROLE must be app or owner.")


def _database_url() -> str:
    url = env.str("DATABASE_URL" if DB_ROLE == "app" else "DATABASE_OWNER_URL", default="")
    if url:
        return str(url)
    if "DATABASE_URL" in os.environ:
        raise ImproperlyConfigured(
            "Set DATABASE_URL (application role) and DATABASE_OWNER_URL (owner, for migrations)."
        )
    if env.bool("ROUNDBOOK_NO_DATABASE", default=False):
        return "postgres://nobody@localhost/none"
    from config.embedded import postgres

    urls = postgres()
    return urls.app if DB_ROLE == "app" else urls.owner


DATABASES: dict[str, dict[str, Any]] = {"default": database_config(_database_url())}
DATABASES["default"].update(
    ENGINE="django.db.backends.postgresql",
    CONN_MAX_AGE=env.int("ROUNDBOOK_CONN_MAX_AGE", default=600),
    CONN_HEALTH_CHECKS=True,
    ATOMIC_REQUESTS=False,
)
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"


def _owner_url() -> str:
    """The owner's address, for what makes databases of its own (measuring); empty when it is not known here."""
    url = env.str("DATABASE_OWNER_URL", default="")
    if url or "DATABASE_URL" in os.environ or env.bool("ROUNDBOOK_NO_DATABASE", default=False):
        return str(url)
    from config.embedded import postgres_urls

    return postgres_urls().owner


OWNER_DATABASE_URL = _owner_url()


def _redis_urls() -> tuple[str, str]:
    url = env.str("REDIS_URL", default="")
    if url:
        return str(url), str(url)
    if TESTING or env.bool("ROUNDBOOK_NO_DATABASE", default=False):
        return "memory://", ""
    from config.embedded import redis_client_url, redis_url

    return redis_url(), redis_client_url()


BROKER_URL, REDIS_CLIENT_URL = _redis_urls()

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.postgres",
    "pgtrigger",
    "pghistory",
    "axes",
    "csp",
    "django_htmx",
    "template_partials",
    "rest_framework",
    "drf_spectacular",
    "staff",
    "screening",
    "results",
    "outreach",
    "oversight",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "staff.body_limit.BodyLimit",
    "screening.scan_door.ScanDoor",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django_permissions_policy.PermissionsPolicyMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "staff.middleware.SessionAge",
    "staff.middleware.RouteGuard",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "config.urls"
WSGI_APPLICATION = "config.wsgi.application"
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
                "staff.context.frame",
                "oversight.context.alarm",
            ],
        },
    }
]

# --- People who sign in ---------------------------------------------------------------------------------
AUTH_USER_MODEL = "staff.User"
AUTHENTICATION_BACKENDS = ["axes.backends.AxesStandaloneBackend", "django.contrib.auth.backends.ModelBackend"]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.MD5PasswordHasher"
    if TESTING
    else "django.contrib.auth.hashers.Argon2PasswordHasher"
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
]
LOGIN_URL = "staff:sign-in"
LOGIN_REDIRECT_URL = "staff:home"
LOGOUT_REDIRECT_URL = "staff:sign-in"
SESSION_ENGINE = "django.contrib.sessions.backends.db"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_AGE = 12 * 3600
SESSION_IDLE_SECONDS = env.int("ROUNDBOOK_IDLE_SECONDS", default=15 * 60 if PRODUCTION else 4 * 3600)
AXES_FAILURE_LIMIT = 5
AXES_COOLOFF_TIME = 0.25  # hours
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_LOCKOUT_TEMPLATE = "registration/locked.html"
AXES_RESET_ON_SUCCESS = True
AXES_CLIENT_IP_CALLABLE = "staff.address.address_of"
TRUSTED_PROXIES = env.int("ROUNDBOOK_PROXIES", default=0)
AXES_HTTP_RESPONSE_CODE = 429
AXES_SENSITIVE_PARAMETERS = ["password"]

# --- What a browser may do ------------------------------------------------------------------------------
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "img-src": [SELF, "data:"],
        "object-src": [NONE],
        "frame-ancestors": [NONE],
        "base-uri": [SELF],
        "form-action": [SELF],
    }
}
PERMISSIONS_POLICY: dict[str, list[str]] = {
    name: []
    for name in ("accelerometer", "camera", "geolocation", "gyroscope", "microphone", "payment", "usb")
}
X_FRAME_OPTIONS = "DENY"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
if PRODUCTION:
    SECURE_SSL_REDIRECT = True
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_HSTS_SECONDS = 31536000
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    SESSION_COOKIE_SECURE = True
    CSRF_COOKIE_SECURE = True
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 2000
DATA_UPLOAD_MAX_NUMBER_FILES = 4

# --- Language and time ----------------------------------------------------------------------------------
LANGUAGE_CODE = "en-gb"
LANGUAGES = [("en-gb", _("English")), ("ar", _("Arabic"))]
LOCALE_PATHS = [BASE_DIR / "locale"]
USE_I18N = True
FORMAT_MODULE_PATH = "config.formats"
USE_TZ = True
TIME_ZONE = env.str("ROUNDBOOK_TIME_ZONE", default="Europe/Lisbon")
PROGRAMME_NAME = env.str("ROUNDBOOK_PROGRAMME", default="Tarnuvek Region Bowel Screening Programme")
PROGRAMME_PHONE = env.str("ROUNDBOOK_PHONE", default="01632 960 400")
PROGRAMME_HOURS = env.str("ROUNDBOOK_HOURS", default="Monday to Friday, 8 am to 6 pm")
# The same in Arabic, the second language of the letters; where only the first is set, letters say the first.
PROGRAMME_NAME_AR = env.str(
    "ROUNDBOOK_PROGRAMME_AR",
    default=env.str("ROUNDBOOK_PROGRAMME", default="برنامج فحص الأمعاء في إقليم تارنوفيك"),
)
PROGRAMME_HOURS_AR = env.str(
    "ROUNDBOOK_HOURS_AR",
    default=env.str("ROUNDBOOK_HOURS", default="من الاثنين إلى الجمعة، من الساعة 8 صباحًا إلى 6 مساءً"),
)
FIXED_TODAY = env.str("ROUNDBOOK_TODAY", default="")

# --- Files of our own -----------------------------------------------------------------------------------
STATIC_URL = "/static/"
STATIC_ROOT = BASE_DIR / "staticfiles" if PRODUCTION else None
STATICFILES_DIRS = [BASE_DIR / "config" / "static"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"
        if PRODUCTION
        else "django.contrib.staticfiles.storage.StaticFilesStorage"
    },
}
WHITENOISE_USE_FINDERS = not PRODUCTION
WHITENOISE_AUTOREFRESH = False

# --- History: actor and time come from the transaction, never from now() ---------------------------------
PGHISTORY_CREATED_AT_FUNCTION = "roundbook_now()"
PGHISTORY_APPEND_ONLY = True

# --- Work in the background -----------------------------------------------------------------------------
CELERY_BROKER_URL = BROKER_URL
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_MAX_TASKS_PER_CHILD = 100
CELERY_TASK_TIME_LIMIT = 1800
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = (
    {"visibility_timeout": 7200, "unacked_restore_throttle": 1} if "redis" in BROKER_URL else {}
)
CELERY_TIMEZONE = "UTC"
CELERY_ENABLE_UTC = True
CELERY_BEAT_SCHEDULE_FILENAME = str(BASE_DIR / ".run" / "beat-schedule")
CELERY_BEAT_SCHEDULE = {
    "results-sweep": {"task": "results.sweep", "schedule": 10.0},
    "outreach-sweep": {"task": "outreach.sweep", "schedule": 15.0},
    "outreach-notices": {"task": "outreach.notices", "schedule": 15.0},
    "daily-duties": {"task": "oversight.daily", "schedule": 60.0},
    "figures-fold": {"task": "oversight.fold", "schedule": 10.0},
    "figures-files": {"task": "oversight.make_files", "schedule": 30.0},
}

TEXT_CARRIER = env.str("ROUNDBOOK_TEXT_CARRIER", default="outreach.carriers.ConsoleCarrier")
TEXT_FOLDER = env.str("ROUNDBOOK_TEXT_FOLDER", default=str(BASE_DIR / ".run" / "text-messages"))
NOTICE_FOLDER = env.str(
    "ROUNDBOOK_NOTICE_FOLDER", default="" if PRODUCTION else str(BASE_DIR / ".run" / "notices")
)
NOTICE_SECONDS = env.int("ROUNDBOOK_NOTICE_SECONDS", default=10)
EMAIL_BACKEND = env.str("ROUNDBOOK_EMAIL_BACKEND", default="django.core.mail.backends.console.EmailBackend")

# --- Doors for other programs ---------------------------------------------------------------------------
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["staff.api.tokens.TokenAuthentication"],
    "DEFAULT_PERMISSION_CLASSES": ["staff.api.tokens.DoorPermission"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_SCHEMA_CLASS": "staff.api.schema.DoesSchema",
    "EXCEPTION_HANDLER": "staff.api.problems.handle",
}
SPECTACULAR_SETTINGS = {
    "TITLE": "Roundbook", "VERSION": "1", "OAS_VERSION": "3.0.3", "SERVE_INCLUDE_SCHEMA": False,
    "COMPONENT_SPLIT_REQUEST": True, "SCHEMA_PATH_PREFIX": "/api/", "ENUM_ADD_EXPLICIT_BLANK_NULL_CHOICE": False,
    "ENUM_NAME_OVERRIDES": {
        "RunStatus": "results.models.Run.Status", "LoadStatus": "screening.models.RegisterLoad.Status",
        "BookingStatus": "results.models.Booking.Status", "Unit": "results.models.Unit", "Side": "results.models.Side",
        "ReferralState": "results.api.referrals.STATES", "LetterState": "outreach.api.letters.STATES",
        "ReturnState": "screening.api.post.STATES", "Finding": "results.models.FindingClass",
        "AttendOutcome": "results.api.steps.ATTENDED",
    },
    "PREPROCESSING_HOOKS": ["staff.api.views.doors_only"],
    "DESCRIPTION": "The doors of a bowel-screening registry for other programs. They call the same services as the pages.",
}  # fmt: skip
API_REQUESTS_A_MINUTE = env.int("ROUNDBOOK_API_REQUESTS_A_MINUTE", default=600)
API_ANSWERS_KEPT_DAYS = env.int("ROUNDBOOK_API_ANSWERS_KEPT_DAYS", default=30)
FHIR_SYSTEMS = env.str("ROUNDBOOK_FHIR_SYSTEMS", default="https://roundbook.invalid/ids")
HL7_AUTHORITY = env.str("ROUNDBOOK_HL7_AUTHORITY", default="PROGRAMME")
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "%(asctime)s %(levelname)s %(name)s %(message)s"}},
    "filters": {"short": {"()": "django.utils.log.CallbackFilter", "callback": without_trace}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line", "filters": ["short"]}},
    "loggers": {name: {"level": "WARNING"} for name in ("weasyprint", "weasyprint.progress", "fontTools")},
    "root": {
        "handlers": ["console"],
        "level": env.str("ROUNDBOOK_LOG_LEVEL", default="WARNING" if TESTING else "INFO"),
    },
}
