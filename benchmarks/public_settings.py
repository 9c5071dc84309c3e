"""The site's settings with the benchmark's own pages beside the site's, served by one server."""

from labsite.settings import *  # noqa: F403, TID251

ROOT_URLCONF = "benchmarks.public_urls"
