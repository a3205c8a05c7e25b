"""Celery only wakes what the database already knows: a lost message delays, it never loses."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("sluicegate")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["incidents"])
