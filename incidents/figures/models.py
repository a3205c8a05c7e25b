"""Rows that Celery computes; outside `rebuild --check`."""

from typing import ClassVar

from django.db import models


class Heartbeat(models.Model):
    """When a recurring task last ran to its end."""

    name = models.CharField(max_length=40, primary_key=True)
    at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.name} {self.at:%H:%M:%S}"


class FigureReport(models.Model):
    """The figures of all machines from a log of size `position`; whole once `finished_at` is there."""

    id = models.UUIDField(primary_key=True)
    facility_id = models.UUIDField()
    position = models.BigIntegerField()
    known_at = models.DateTimeField(help_text="when the last event before the position was recorded")
    method = models.CharField(max_length=40)
    version = models.IntegerField()
    asked = models.CharField(max_length=8, help_text="events, nightly or date: what it was computed for")
    begun_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "figure_report"
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["facility_id", "method", "version", "position"], name="figure_report_once"
            )
        ]


class FigureChunk(models.Model):
    """Some machines of a report, reckoned together by one worker."""

    pk = models.CompositePrimaryKey("report", "number")
    report = models.UUIDField()
    number = models.IntegerField()
    machines = models.TextField(help_text="JSON list of ids")
    done = models.BooleanField(default=False)

    class Meta:
        db_table = "figure_chunk"


class FigureRow(models.Model):
    """One fault of one machine, or of all (`machine` is the facility then); fault "" is all faults together."""

    pk = models.CompositePrimaryKey("report", "machine", "fault")
    report = models.UUIDField()
    machine = models.UUIDField()
    fault = models.TextField()
    body = models.TextField(help_text="what the machine alone shows, JSON")
    final = models.TextField(default="", help_text="what all rows together say of it, JSON")

    class Meta:
        db_table = "figure_row"
