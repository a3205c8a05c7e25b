"""The one Django app."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate


class IncidentsConfig(AppConfig):
    name = "incidents"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from incidents.ledger.guards import reapply
        from incidents.ledger.writing import follow
        from incidents.projections.live import apply

        follow(apply)
        post_migrate.connect(reapply, sender=self)
