"""The ledger's tables. Written only by plain SQL in this package; models give schema, migrations and reads.

Ledger tables only ever get new nullable columns. `guards.py` refuses every change of what stands.
"""

from typing import ClassVar

from django.db import models


class Head(models.Model):
    """One row per facility, locked as the first statement of every deed."""

    facility_id = models.UUIDField(primary_key=True)
    size = models.BigIntegerField()
    frontier = models.BinaryField(help_text="peaks of the Merkle tree over all leaves, 32 bytes each")
    recorded_at = models.DateTimeField()

    class Meta:
        db_table = "ledger_head"


class Event(models.Model):
    """An immutable event. `body` is the whole truth; the other columns are copies of parts of it."""

    pk = models.CompositePrimaryKey("facility_id", "position")
    facility_id = models.UUIDField()
    position = models.BigIntegerField()
    event_id = models.UUIDField()
    stream_kind = models.CharField(max_length=16)
    stream_id = models.UUIDField()
    version = models.IntegerField()
    type = models.CharField(max_length=40)
    schema = models.SmallIntegerField()
    occurred_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    body = models.TextField()

    class Meta:
        db_table = "ledger_event"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["facility_id", "event_id"], name="ledger_event_id_once"),
            models.UniqueConstraint(
                fields=["facility_id", "stream_kind", "stream_id", "version"], name="ledger_stream_version_once"
            ),
        ]


class Deed(models.Model):
    """What was asked under a deed id, so that a retry gets its old receipt."""

    pk = models.CompositePrimaryKey("facility_id", "deed_id")
    facility_id = models.UUIDField()
    deed_id = models.UUIDField()
    digest = models.BinaryField()
    first_position = models.BigIntegerField()
    count = models.IntegerField()

    class Meta:
        db_table = "ledger_deed"


class Words(models.Model):
    """Free text, kept beside its salted digest in an event, so that it alone can be emptied."""

    pk = models.CompositePrimaryKey("facility_id", "digest")
    facility_id = models.UUIDField()
    digest = models.CharField(max_length=64)
    salt = models.BinaryField()
    text = models.TextField()

    class Meta:
        db_table = "ledger_words"


class Blob(models.Model):
    """A piece (at most 1 MiB) of bytes named by their SHA-256, never shared between facilities."""

    pk = models.CompositePrimaryKey("facility_id", "digest", "seq")
    facility_id = models.UUIDField()
    digest = models.BinaryField()
    seq = models.IntegerField()
    piece = models.BinaryField()

    class Meta:
        db_table = "ledger_blob"


class Bookmark(models.Model):
    """How far a consumer has read a facility's log; moved in the transaction of its effect."""

    pk = models.CompositePrimaryKey("consumer", "facility_id")
    consumer = models.CharField(max_length=40)
    facility_id = models.UUIDField()
    position = models.BigIntegerField(help_text="positions below this one are done")

    class Meta:
        db_table = "ledger_bookmark"
