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
    """One sterile processing department: the unit of log, lock, projections and rights."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    slug = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=64, default="UTC")

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


class AccessToken(AbstractAuthToken):  # type: ignore[misc]
    """A bearer token bound to one facility and one role, and to one machine where a device holds it.

    `user` is who answers for it: the person it was made by.
    """

    facility = models.ForeignKey(Facility, on_delete=models.PROTECT)
    role = models.CharField(max_length=24, choices=[(role, role) for role in ROLES])
    machine = models.UUIDField(null=True, blank=True)
    label = models.CharField(max_length=80)
    revoked_at = models.DateTimeField(null=True, blank=True)

    objects: ClassVar[Any] = AuthTokenManager()


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
