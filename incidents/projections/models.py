"""Read models. Every row is a fold of one stream, its `owner`; `tables.py` says how to write them.

Rows with `known_from` and `known_to` keep what was known before: a row stood from the first position up to,
not including, the second; null means it stands.
"""

from typing import ClassVar

from django.db import models


class FacilityRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField()
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    basis = models.CharField(max_length=16)

    class Meta:
        db_table = "read_facility"


class MachineRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the machine")
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    name = models.TextField()
    code = models.TextField()
    chambers = models.TextField(help_text="JSON list of chamber names")
    blocked = models.TextField(help_text="JSON: chamber, or empty for the whole machine, to the reason")

    class Meta:
        db_table = "read_machine"


class CounterRow(models.Model):
    """A number of a machine's counter that went through no load here: a stray, or an explained one."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "machine_cycle", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the machine")
    machine_cycle = models.BigIntegerField()
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    explained = models.BooleanField()

    class Meta:
        db_table = "read_counter"


class RackRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the rack")
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    code = models.CharField(max_length=80)
    name = models.CharField(max_length=80)
    blocked = models.BooleanField()

    class Meta:
        db_table = "read_rack"


class PolicyRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField()
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    edition = models.IntegerField()
    body = models.TextField(help_text="the policy, JSON")

    class Meta:
        db_table = "read_policy"


class DowntimeFormRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "owner", "number", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField()
    number = models.IntegerField()
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    state = models.CharField(max_length=8, help_text="issued, entered or voided")
    issued = models.BooleanField(help_text="false where a form came back that nobody issued")
    since = models.DateTimeField()
    load = models.UUIDField(null=True)

    class Meta:
        db_table = "read_downtime_form"


class ProgrammeRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the programme")
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    name = models.TextField()
    edition = models.IntegerField()
    body = models.TextField(help_text="the publication, JSON")

    class Meta:
        db_table = "read_programme"


class CatalogueRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField()
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    version = models.IntegerField(help_text="of the catalogue's stream when it was published")
    edition = models.IntegerField()
    body = models.TextField(help_text="the publication, JSON")

    class Meta:
        db_table = "read_catalogue"


class CatalogueDraftRow(models.Model):
    """The draft of the next edition, while one stands."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField()
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    version = models.IntegerField(help_text="of the catalogue's stream when it was drafted")
    edition_from = models.IntegerField()
    drafted_by = models.UUIDField()
    drafted_at = models.DateTimeField()
    body = models.TextField(help_text="its faults, JSON")

    class Meta:
        db_table = "read_catalogue_draft"


class TrayRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "tray")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the set")
    tray = models.UUIDField()
    label = models.TextField()
    set_name = models.TextField()
    set_owner = models.TextField()
    place_in_set = models.IntegerField()
    set_size = models.IntegerField()
    loaner = models.BooleanField()
    needed_by = models.CharField(max_length=10)

    class Meta:
        db_table = "read_tray"


class LoadRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "owner")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the load")
    version = models.IntegerField()
    number = models.CharField(max_length=24)
    year = models.IntegerField()
    ordinal = models.IntegerField()
    name = models.TextField()
    machine = models.UUIDField(null=True)
    machine_name = models.TextField()
    chamber = models.TextField()
    machine_cycle = models.BigIntegerField(null=True)
    programme = models.TextField()
    stage = models.CharField(max_length=16)
    disposition = models.CharField(max_length=24)
    under_recall = models.BooleanField()
    reviewed = models.BooleanField()
    place = models.CharField(max_length=16)
    spot = models.TextField()
    trays = models.IntegerField()
    rerun_of = models.UUIDField(null=True)
    form = models.IntegerField(null=True, help_text="the downtime form that it was entered from")
    holds = models.TextField(help_text="codes of the holds that stand, separated by blanks")
    first_hold = models.TextField()
    assembled_at = models.DateTimeField(null=True)
    started_at = models.DateTimeField(null=True)
    expected_end_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    due_at = models.DateTimeField(null=True, help_text="when a cycle without an end becomes outcome unknown")

    class Meta:
        db_table = "read_load"
        indexes: ClassVar = [
            models.Index(fields=["facility_id", "year", "ordinal"], name="read_load_number"),
            models.Index(fields=["facility_id", "disposition", "under_recall"], name="read_load_disposition"),
            models.Index(fields=["due_at"], condition=models.Q(due_at__isnull=False), name="read_load_due"),
        ]


class ContentRow(models.Model):
    """A tray that went, or is to go, through a load."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "tray", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the load")
    tray = models.UUIDField()
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    assembled = models.BigIntegerField(help_text="position of the load's assembly: the order of a tray's loads")
    fate = models.CharField(max_length=16, help_text="rejected, repair, owner, discarded, or empty: with its load")

    class Meta:
        db_table = "read_content"
        indexes: ClassVar = [models.Index(fields=["facility_id", "tray", "assembled"], name="read_content_tray")]


class PassageRow(models.Model):
    """A load in a chamber."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the load")
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    machine = models.UUIDField()
    chamber = models.TextField()
    machine_cycle = models.BigIntegerField(null=True)
    stage = models.CharField(max_length=16)

    class Meta:
        db_table = "read_passage"
        indexes: ClassVar = [
            models.Index(
                fields=["facility_id", "machine", "chamber", "stage"],
                condition=models.Q(known_to__isnull=True),
                name="read_passage_chamber",
            ),
            models.Index(fields=["facility_id", "machine", "machine_cycle"], name="read_passage_cycle"),
        ]


class AlarmRow(models.Model):
    pk = models.CompositePrimaryKey("facility_id", "owner", "alarm", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the load, or the machine that alarmed without one")
    owner_kind = models.CharField(max_length=16)
    alarm = models.UUIDField()
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    code = models.TextField()
    title = models.TextField()
    phase = models.TextField()
    priority = models.CharField(max_length=8)
    state = models.CharField(max_length=24)
    raised_at = models.DateTimeField()

    class Meta:
        db_table = "read_alarm"
        indexes: ClassVar = [
            models.Index(
                fields=["facility_id", "state"], condition=models.Q(known_to__isnull=True), name="read_alarm_open"
            ),
        ]


class OpenItemRow(models.Model):
    """Something that needs someone."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "item", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the load or the machine")
    owner_kind = models.CharField(max_length=16)
    item = models.TextField()
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    kind = models.CharField(max_length=24)
    priority = models.CharField(max_length=8)
    title = models.TextField()
    since = models.DateTimeField()
    alarm = models.UUIDField(null=True)

    class Meta:
        db_table = "read_open_item"
        indexes: ClassVar = [
            models.Index(
                fields=["facility_id"], condition=models.Q(known_to__isnull=True), name="read_open_item_open"
            ),
        ]
