"""Composition: settings, urls, celery, wsgi; no rule and no table."""

from config.celery import app as celery_app

__all__ = ["celery_app"]
