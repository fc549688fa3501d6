"""Entry point of the untuned view's server; only measuring starts it."""

import os

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from oversight.measuring.untuned import application_made  # noqa: E402

application = application_made()
