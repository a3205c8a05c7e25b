"""Read models. Every row is a fold of one stream, its `owner`; `tables.py` says how to write them.

Rows with `known_from` and `known_to` keep what was known before: a row stood from the first position up to,
not including, the second; null means it stands.
"""

from typing import ClassVar

from django.db import models
from django.db.models.functions import Upper

STANDS = models.Q(known_to__isnull=True)


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
    takes = models.TextField(
        default='{"programmes":[],"racks":[]}', help_text="JSON: the only programmes and racks it takes; empty, all"
    )

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


class HeardRow(models.Model):
    """The lowest and the highest of a device's own numbers among what a stream has of it."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "device")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the load, or the machine")
    device = models.UUIDField()
    lowest = models.BigIntegerField()
    highest = models.BigIntegerField()

    class Meta:
        db_table = "read_heard"
        indexes: ClassVar = [
            models.Index(fields=["facility_id", "device", "lowest"], name="read_heard_lowest"),
            models.Index(fields=["facility_id", "device", "highest"], name="read_heard_highest"),
        ]


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
    fallen = models.TextField(default="[]", help_text="JSON list of editions that bind nobody any more")

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
    rack = models.UUIDField(null=True)

    class Meta:
        db_table = "read_load"
        indexes: ClassVar = [
            models.Index(fields=["facility_id", "year", "ordinal"], name="read_load_number"),
            models.Index(fields=["facility_id", "disposition", "year", "ordinal"], name="read_load_by_disposition"),
            models.Index(
                fields=["facility_id", "year", "ordinal"],
                condition=models.Q(under_recall=True),
                name="read_load_recall",
            ),
            models.Index(fields=["facility_id", "machine", "year", "ordinal"], name="read_load_machine"),
            models.Index(fields=["facility_id", "number"], name="read_load_code"),
            models.Index(fields=["facility_id", "machine_cycle"], name="read_load_cycle"),
            models.Index(fields=["facility_id", "stage"], name="read_load_stage"),
            models.Index(fields=["due_at"], condition=models.Q(due_at__isnull=False), name="read_load_due"),
        ]


class RecordRow(models.Model):
    """A load's record of readings, by what it says: the same one for two loads is found here."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "content")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the load")
    content = models.CharField(max_length=64)
    digest = models.CharField(max_length=64)
    packed = models.CharField(max_length=64)

    class Meta:
        db_table = "read_record"
        indexes: ClassVar = [models.Index(fields=["facility_id", "content"], name="read_record_content")]


class RecordFormRow(models.Model):
    """How a machine's own exports are read, and what relates its probes to the load."""

    pk = models.CompositePrimaryKey("facility_id", "owner")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the machine")
    body = models.TextField(help_text="JSON")

    class Meta:
        db_table = "read_record_form"


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
            models.Index(
                fields=["facility_id", "machine", "machine_cycle"],
                condition=models.Q(known_to__isnull=True),
                name="read_passage_counter",
            ),
            models.Index(
                fields=["facility_id", "stage"],
                condition=models.Q(known_to__isnull=True),
                name="read_passage_stage",
            ),
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
    shelved_until = models.DateTimeField(null=True)

    class Meta:
        db_table = "read_alarm"
        indexes: ClassVar = [
            models.Index(
                fields=["shelved_until"],
                condition=models.Q(known_to__isnull=True, shelved_until__isnull=False),
                name="read_alarm_shelved",
            ),
            models.Index(
                fields=["facility_id", "state"], condition=models.Q(known_to__isnull=True), name="read_alarm_open"
            ),
        ]


class CareRow(models.Model):
    """Who looks after an open item."""

    pk = models.CompositePrimaryKey("facility_id", "owner")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the care of the item, named from what it is about, its key and its moment")
    person = models.UUIDField()
    at = models.DateTimeField()
    by = models.UUIDField(null=True, help_text="who handed it on")
    words = models.CharField(max_length=64, help_text="digest of the note, or empty")

    class Meta:
        db_table = "read_care"


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
    taken_by = models.UUIDField(null=True, help_text="the person who saw it or took it")
    next_due_at = models.DateTimeField(
        null=True, help_text="when the sweep looks at it next: at once, while empty. No event says it"
    )
    words = models.CharField(max_length=64, default="", help_text="the digest of what was said of it")

    class Meta:
        db_table = "read_open_item"
        indexes: ClassVar = [
            models.Index(
                fields=["facility_id"], condition=models.Q(known_to__isnull=True), name="read_open_item_open"
            ),
            models.Index(
                fields=["next_due_at"], condition=models.Q(known_to__isnull=True), name="read_open_item_due"
            ),
        ]


class IncidentRow(models.Model):
    """An alarm of an incident of which something was told."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "alarm")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the incident")
    alarm = models.UUIDField()
    told_at = models.DateTimeField(help_text="when something was told of the incident last")
    verified_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "read_incident"
        indexes: ClassVar = [models.Index(fields=["facility_id", "alarm"], name="read_incident_alarm")]


class ClimbRow(models.Model):
    """How far an open item has climbed a rung of its ladder."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "ladder", "rung")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the item's own climb, named from its owner, key and moment")
    ladder = models.CharField(max_length=24)
    rung = models.PositiveIntegerField()
    repeat = models.PositiveIntegerField(help_text="the last that was taken")

    class Meta:
        db_table = "read_climb"


class PastLoadRow(models.Model):
    """A load of imported history."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the past load")
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    name = models.TextField()
    machine = models.UUIDField()
    chamber = models.TextField()
    machine_cycle = models.BigIntegerField(null=True)
    programme = models.TextField()
    outcome = models.CharField(max_length=16)
    stated = models.TextField()
    trays = models.TextField(help_text="JSON list of labels")
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "read_past_load"
        indexes: ClassVar = [
            models.Index(fields=["facility_id", "machine", "started_at"], name="read_past_load_machine"),
            models.Index("facility_id", Upper("name"), condition=STANDS, name="read_past_load_called"),
            models.Index(
                fields=["facility_id", "started_at", "owner"], condition=STANDS, name="read_past_load_newest"
            ),
        ]


class PastAlarmRow(models.Model):
    """An alarm of imported history."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the past alarm")
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    machine = models.UUIDField()
    chamber = models.TextField()
    machine_cycle = models.BigIntegerField(null=True)
    code = models.TextField()
    title = models.TextField()
    phase = models.TextField()
    raised_at = models.DateTimeField()
    acknowledged_at = models.DateTimeField(null=True)
    cleared_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "read_past_alarm"
        indexes: ClassVar = [
            models.Index(fields=["facility_id", "machine", "raised_at"], name="read_past_alarm_machine"),
            models.Index(fields=["facility_id", "machine", "machine_cycle"], name="read_past_alarm_cycle"),
        ]


class PastRepairRow(models.Model):
    """A time out of service, of imported history."""

    pk = models.CompositePrimaryKey("facility_id", "owner", "known_from")
    facility_id = models.UUIDField()
    owner = models.UUIDField(help_text="the past repair")
    known_from = models.BigIntegerField()
    known_to = models.BigIntegerField(null=True)
    machine = models.UUIDField()
    chamber = models.TextField(help_text="empty for the whole machine")
    words = models.CharField(max_length=64, help_text="digest of what was said")
    out_at = models.DateTimeField()
    back_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "read_past_repair"
        indexes: ClassVar = [
            models.Index(fields=["facility_id", "machine", "out_at"], name="read_past_repair_machine"),
        ]
