"""Rows that Celery computes; outside `rebuild --check`."""

from django.db import models


class Heartbeat(models.Model):
    """When a recurring task last ran to its end."""

    name = models.CharField(max_length=40, primary_key=True)
    at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.name} {self.at:%H:%M:%S}"
