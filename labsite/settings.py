"""Settings, read from the environment; without any, everything lives in the var folder.

The embedded default is SQLite, a file-system message broker and a key generated once. Every
variable is listed in DEVELOPERS.md; what is not understood is refused by name (labsite.env).
"""

import os
from datetime import timedelta
from pathlib import Path
from typing import Any

from labsite import env

BASE_DIR = Path(__file__).resolve().parent.parent

environment = env.Environment(variables=os.environ)

VAR_DIR = environment.folder("VAR_DIR", default=BASE_DIR / "var")
DEBUG = environment.flag("DEBUG", default=False)
HTTPS = environment.flag("HTTPS", default=False)
TLS_HERE = environment.flag("TLS_HERE", default=False)
LOG_FORMAT = environment.choice("LOG_FORMAT", allowed=("line", "json"), default="line")
LOG_LEVEL = environment.choice("LOG_LEVEL", allowed=env.LOG_LEVELS, default="INFO")

# Loopback only until somebody names the hosts: an embedded lab is not open to the network by
# accident. `manage.py serve` refuses other addresses for the same reason.
HOSTS_ARE_NAMED = environment.has("ALLOWED_HOSTS")
LOOPBACK_NAMES = ["localhost", "127.0.0.1", "[::1]"]
# The loopback names stay in: health checks on the machine itself call the site by them.
ALLOWED_HOSTS = [*environment.names("ALLOWED_HOSTS"), *LOOPBACK_NAMES]
CSRF_TRUSTED_ORIGINS = environment.origins("CSRF_TRUSTED_ORIGINS")
SECRET_KEY = env.secret_key(
    environment, var_dir=VAR_DIR, may_be_generated=not env.is_postgresql(environment)
)

DATABASES = {"default": env.database(environment, var_dir=VAR_DIR)}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "axes",
    "django_otp",
    "django_otp.plugins.otp_totp",
    "django_otp.plugins.otp_static",
    "django.contrib.sitemaps",
    "rest_framework",
    "drf_spectacular",
    "csp",
    "labsite.apps.LabsiteConfig",
    "specimens.apps.SpecimensConfig",
    "trials.apps.TrialsConfig",
    "reports.apps.ReportsConfig",
]

MIDDLEWARE = [
    "labsite.middleware.RequestIdMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    # Before anything that looks at who asks: a kept page is the same for every stranger.
    "labsite.kept_pages.KeptPagesMiddleware",
    "csp.middleware.CSPMiddleware",
    "labsite.middleware.PermissionsPolicyMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "labsite.languages.AddressLanguageMiddleware",
    "django.middleware.common.CommonMiddleware",
    "labsite.middleware.BodyLimitMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django_otp.middleware.OTPMiddleware",
    "labsite.middleware.PinMiddleware",
    # Deny by default: a page is public only when its view says so.
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "trials.offline.BenchPageMiddleware",
    "labsite.middleware.RefusalMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "labsite.urls"
WSGI_APPLICATION = "labsite.wsgi.application"

TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "labsite.context.lab",
                "labsite.context.navigation",
                "labsite.context.export",
                "labsite.context.languages",
                "reports.context.readers",
                "labsite.context.tablet",
            ],
        },
    },
]

# People

AUTH_USER_MODEL = "labsite.User"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
# Wrong passwords are counted in the database, so that all processes count together. By name and
# address: nobody can lock a person out from elsewhere, and one clumsy tablet locks no other.
AXES_FAILURE_LIMIT = 8
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_RESET_ON_SUCCESS = True
AXES_LOCKOUT_CALLABLE = "labsite.views.locked_out"
AXES_CLIENT_IP_CALLABLE = "labsite.middleware.address_of"
AXES_ENABLE_ADMIN = False
AXES_DISABLE_ACCESS_LOG = True
AXES_VERBOSE = False
OTP_TOTP_ISSUER = "Wornproof"
LOGIN_URL = "sign-in"
LOGOUT_REDIRECT_URL = "/"
AUTH_PASSWORD_VALIDATORS = [
    {
        "NAME": f"django.contrib.auth.password_validation.{name}",
        "OPTIONS": {"min_length": 10} if name == "MinimumLengthValidator" else {},
    }
    for name in (
        "UserAttributeSimilarityValidator",
        "MinimumLengthValidator",
        "CommonPasswordValidator",
        "NumericPasswordValidator",
    )
]
# A technician's shift; a tablet keeps its queue through a sign-in anyway.
SESSION_COOKIE_AGE = 60 * 60 * 14
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SAMESITE = "Lax"
CSRF_FAILURE_VIEW = "labsite.views.csrf_failed"

# Words and times

# The first is that of addresses without a prefix (labsite.languages) and of all that is frozen.
LANGUAGE_CODE = "en-gb"
LANGUAGES = [("en-gb", "English"), ("de", "Deutsch")]
TIME_ZONE = environment.time_zone("TIME_ZONE", default="UTC")
USE_I18N = True
USE_TZ = True

# Static files

STATIC_URL = "/static/"
# A container image collects them when it is built, outside the volume that VAR_DIR is there.
STATIC_ROOT = environment.folder("STATIC_DIR", default=VAR_DIR / "static")
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "labsite.static_files.PlotlyFinder",
]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "labsite.static_files.HashedStaticFiles"},
}
MEDIA_ROOT = VAR_DIR / "media"

# Security headers

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'self'"],
        "script-src": ["'self'"],
        "style-src": ["'self'"],
        # data: and blob: let the chart library make a picture of a chart for download.
        "img-src": ["'self'", "data:", "blob:"],
        # a film is looked at on the device and never sent
        "media-src": ["'self'", "blob:"],
        "object-src": ["'none'"],
        "base-uri": ["'none'"],
        "form-action": ["'self'"],
        "frame-ancestors": ["'none'"],
        # the bench as an app that opens without network
        "worker-src": ["'self'"],
        "manifest-src": ["'self'"],
    },
}
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
SECURE_CONTENT_TYPE_NOSNIFF = True
if HTTPS:
    SECURE_SSL_REDIRECT = True
    SECURE_REDIRECT_EXEMPT = [r"^healthz$", r"^readyz$"]
    # HTTPS=true says that a proxy ends TLS and overwrites this header.
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_HSTS_SECONDS = 60 * 60 * 24 * 365
    SESSION_COOKIE_SECURE = True
    CSRF_COOKIE_SECURE = True

elif TLS_HERE:
    # `manage.py bench_https` ends TLS itself. No redirect and no HSTS: the guide that leads a
    # tablet to trusting the certificate is plain http on the same host.
    SESSION_COOKIE_SECURE = True
    CSRF_COOKIE_SECURE = True

# Subdomains and preload lists bind hosts that are not ours to bind; a lab decides that itself.
SILENCED_SYSTEM_CHECKS = ["security.W005", "security.W021"]

# A whole study's readings as CSV is about 5 MB; more than this is not a reading.
DATA_UPLOAD_MAX_MEMORY_SIZE = 20 * 1024 * 1024
FILE_UPLOAD_MAX_MEMORY_SIZE = 20 * 1024 * 1024
# The largest request of any page that does not say it takes more.
MOST_BODY_BYTES = 100 * 1024 * 1024

# The API

REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "labsite.api_sign_in.SessionSignIn",
        "labsite.api_sign_in.TokenSignIn",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "EXCEPTION_HANDLER": "labsite.problems.problem_response",
    "DEFAULT_SCHEMA_CLASS": "labsite.api_schema.HouseSchema",
    # Counted by each process for itself: a brake on a program gone wild, not an exact meter.
    "DEFAULT_THROTTLE_CLASSES": [
        "rest_framework.throttling.UserRateThrottle",
        "rest_framework.throttling.AnonRateThrottle",
    ],
    "DEFAULT_THROTTLE_RATES": {"user": "1200/min", "anon": "300/min"},
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
}

SPECTACULAR_SETTINGS = {
    "TITLE": "Wornproof",
    "DESCRIPTION": "A lab's record of worn and new protective gear, and what it published.",
    "VERSION": "1",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "POSTPROCESSING_HOOKS": [
        "labsite.api_schema.describe_problems",
    ],
    "AUTHENTICATION_WHITELIST": [],
}

# Background work (labsite.jobs). The database row is the truth, the broker a doorbell.

CELERY_BROKER_URL, CELERY_BROKER_TRANSPORT_OPTIONS = env.broker(environment, var_dir=VAR_DIR)
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_IGNORE_RESULT = True
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_CONNECTION_TIMEOUT = 3
CELERY_TASK_SOFT_TIME_LIMIT = 120
CELERY_TASK_TIME_LIMIT = 180
CELERY_TASK_DEFAULT_QUEUE = "wornproof"
if CELERY_BROKER_URL.startswith("amqp"):
    CELERY_TASK_DEFAULT_QUEUE_TYPE = "quorum"
    CELERY_TASK_DEFAULT_EXCHANGE_TYPE = "topic"
# The control channel of the file-system broker has a known write race, and nobody uses it.
CELERY_WORKER_ENABLE_REMOTE_CONTROL = not CELERY_BROKER_URL.startswith("filesystem")
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_TIMEZONE = "UTC"
JOB_SWEEP_SECONDS = 5
CELERY_BEAT_SCHEDULE = {
    "ring again for waiting jobs": {
        "task": "labsite.sweep",
        "schedule": JOB_SWEEP_SECONDS,
        # Sweeps that nobody took while the worker was away are worth nothing later.
        "options": {"expires": JOB_SWEEP_SECONDS * 2},
    },
}
# How long a worker may be silent before another may take its job. A living worker renews.
JOB_LEASE_SECONDS = 30
# A job that runs longer than this stops renewing, in pools that cannot enforce a time limit too.
JOB_TIME_LIMIT_SECONDS = 180
JOB_ATTEMPTS = 5
# A waiting job is rung again after this long; a second ring costs one query.
JOB_RING_AGAIN_SECONDS = 10

# Logs: one line an event to standard error, with the request or job it belongs to.

LOGGING: dict[str, Any] = {
    "version": 1,
    "disable_existing_loggers": False,
    "filters": {"origin": {"()": "labsite.logs.OriginFilter"}},
    "formatters": {
        "json": {"()": "labsite.logs.JsonFormatter"},
        "line": {"format": "%(asctime)s %(levelname)s [%(origin)s] %(name)s: %(message)s"},
    },
    "handlers": {
        "stderr": {
            "class": "logging.StreamHandler",
            "filters": ["origin"],
            "formatter": LOG_FORMAT,
        },
    },
    "root": {"handlers": ["stderr"], "level": LOG_LEVEL},
    "loggers": {
        # Django's own handler would print the same line a second time.
        "django": {"handlers": [], "level": LOG_LEVEL, "propagate": True},
        "django.server": {"handlers": [], "level": LOG_LEVEL, "propagate": True},
    },
}
