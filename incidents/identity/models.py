"""People, facilities, who may do what where, tokens and signatures.

Names live here and nowhere in the ledger: an event names a person by id.
"""

from __future__ import annotations

from typing import Any, ClassVar

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.db import models
from knox.models import AbstractAuthToken, AuthTokenManager

from incidents.identity.ids import new_id
from incidents.rules.authority import COMPETENCES, ROLES


class People(BaseUserManager["Person"]):
    def create_user(self, login: str, name: str, password: str | None = None, **more: Any) -> Person:
        person = self.model(login=login, name=name, **more)
        person.set_password(password)
        person.save(using=self._db)
        return person


class Person(AbstractBaseUser):  # type: ignore[django-manager-missing]
    """One human being. Ids are never used again; a person who left is inactive, not deleted."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    login = models.CharField(max_length=80, unique=True)
    name = models.CharField(max_length=120)
    badge = models.CharField(max_length=64, unique=True, null=True, blank=True)
    pin = models.CharField(max_length=128, blank=True, help_text="Argon2id hash; a badge without it only names")
    is_active = models.BooleanField(default=True)

    objects: ClassVar[People] = People()

    USERNAME_FIELD = "login"
    REQUIRED_FIELDS = ["name"]

    def __str__(self) -> str:
        return self.name


class Facility(models.Model):  # type: ignore[django-manager-missing]
    """One sterile processing department: the unit of log, lock, projections and rights.

    `demo` marks an invented one. It is said once, when the facility is founded, and nothing changes it.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    slug = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=64, default="UTC")
    demo = models.BooleanField(default=False, editable=False)

    @property
    def on_paper(self) -> str:
        """Its name as it stands on what is printed."""
        return f"DEMO, all invented: {self.name}" if self.demo else self.name

    def __str__(self) -> str:
        return self.name


class Membership(models.Model):
    """A role of a person in a facility."""

    facility = models.ForeignKey(Facility, on_delete=models.PROTECT)
    person = models.ForeignKey(Person, on_delete=models.PROTECT)
    role = models.CharField(max_length=24, choices=[(role, role) for role in ROLES])

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["facility", "person", "role"], name="one_membership_per_role"),
        ]

    def __str__(self) -> str:
        return f"{self.person} as {self.role}"


class Competence(models.Model):
    """What a person has been found able to do here, and until when."""

    facility = models.ForeignKey(Facility, on_delete=models.PROTECT)
    person = models.ForeignKey(Person, on_delete=models.PROTECT)
    kind = models.CharField(max_length=24, choices=[(kind, kind) for kind in COMPETENCES])
    valid_from = models.DateField()
    valid_until = models.DateField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["facility", "person", "kind"], name="one_competence_per_kind"),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.kind} until {self.valid_until}"


class Contact(models.Model):
    """Where somebody can be reached from this facility by one channel, or, without a person, a shared one."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    facility = models.ForeignKey(Facility, on_delete=models.CASCADE)
    person = models.ForeignKey(Person, on_delete=models.CASCADE, null=True, blank=True)
    channel = models.CharField(max_length=16)
    label = models.CharField(max_length=80, blank=True, help_text="what a shared one is called")
    address = models.CharField(max_length=500)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["facility", "person", "channel"], name="one_contact_per_channel"),
            models.UniqueConstraint(
                fields=["facility", "label"],
                condition=models.Q(person__isnull=True),
                name="one_shared_contact_per_label",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.channel} of {self.label or self.person}"


class AccessToken(AbstractAuthToken):  # type: ignore[misc]
    """A bearer token bound to one facility and one role, and to one machine where a device holds it.

    `user` is who answers for it: the person who made it, and acts by it where it names no machine.
    """

    facility = models.ForeignKey(Facility, on_delete=models.PROTECT)
    role = models.CharField(max_length=24, choices=[(role, role) for role in ROLES])
    machine = models.UUIDField(null=True, blank=True)
    label = models.CharField(max_length=80)
    revoked_at = models.DateTimeField(null=True, blank=True)
    last_used_at = models.DateTimeField(null=True, blank=True, help_text="to the minute")
    deed = models.UUIDField(null=True, blank=True, help_text="the id of the form that made it")

    objects: ClassVar[Any] = AuthTokenManager()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["facility", "deed"], name="one_token_per_deed"),
        ]


class Signing(models.Model):
    """A signature ready to be used: for one deed, on what was seen, once, within 60 s."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    facility = models.ForeignKey(Facility, on_delete=models.PROTECT)
    person = models.ForeignKey(Person, on_delete=models.PROTECT)
    deed = models.UUIDField()
    meaning = models.CharField(max_length=240)
    bound = models.JSONField(help_text="[[load, stream version, leaf as hex], …]")
    signed_at = models.DateTimeField()
    good_until = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return self.meaning


class Draft(models.Model):
    """What a person typed into a form and did not send; `form` is the address that it would be sent to."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    person = models.ForeignKey(Person, on_delete=models.CASCADE)
    facility = models.ForeignKey(Facility, on_delete=models.CASCADE)
    form = models.CharField(max_length=300)
    page = models.CharField(max_length=300)
    title = models.CharField(max_length=120)
    body = models.TextField(help_text="its fields, JSON; never a badge, PIN or password")
    kept_at = models.DateTimeField()
    expires_at = models.DateTimeField(db_index=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["person", "facility", "form"], name="one_draft_per_form"),
        ]

    def __str__(self) -> str:
        return f"{self.title}, {self.kept_at:%H:%M:%S}"
