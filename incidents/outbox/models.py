"""Messages on their way out; outside `rebuild --check`, for whether one was sent is no event of the department."""

from __future__ import annotations

from typing import ClassVar

from django.db import models

WAITING, LEASED, SENT, DEAD = STATES = ("waiting", "leased", "sent", "dead")


class Message(models.Model):
    """One thing to tell one person, or one shared contact, by one channel.

    `id` follows from facility and key, and goes with every attempt: whoever gets it twice can tell. Exactly one of
    `person` and `contact` is named; where to reach them is looked up when it is sent.
    """

    id = models.UUIDField(primary_key=True, editable=False)
    facility_id = models.UUIDField()
    key = models.CharField(max_length=240, help_text="what was decided: open item, step, repeat, recipient")
    channel = models.CharField(max_length=16)
    person = models.UUIDField(null=True)
    contact = models.UUIDField(null=True, help_text="a contact that is nobody's own")
    subject = models.CharField(max_length=200)
    text = models.TextField()
    link = models.CharField(max_length=300, help_text="path of the page that it is about; it needs sign-in")
    priority = models.CharField(max_length=8)
    about_kind = models.CharField(max_length=16, help_text="kind of the stream that it is about")
    about_id = models.UUIDField()
    about_item = models.TextField(help_text="key of the open item")
    queued_at = models.DateTimeField()
    due_at = models.DateTimeField(help_text="not sent before")
    next_at = models.DateTimeField(help_text="when it may be tried: at first due_at, later after a pause")
    state = models.CharField(max_length=8, default=WAITING, choices=[(state, state) for state in STATES])
    attempts = models.PositiveIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, help_text="a worker has it until then; after that, anybody")
    last_error = models.CharField(max_length=240, blank=True)
    sent_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "outbox_message"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["facility_id", "key"], name="one_message_per_key"),
        ]
        indexes: ClassVar = [
            models.Index(
                fields=["next_at"], condition=models.Q(state__in=[WAITING, LEASED]), name="outbox_to_be_sent"
            ),
            models.Index(fields=["facility_id"], condition=models.Q(state=DEAD), name="outbox_dead"),
            models.Index(fields=["facility_id", "about_id", "about_item"], name="outbox_about"),
        ]

    def __str__(self) -> str:
        return f"{self.channel}: {self.subject}"
