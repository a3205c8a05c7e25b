"""Every URL. A facility's data lives under its slug; what isn't yours answers 404."""

from django.urls import path

from incidents.pages import health

urlpatterns = [
    path("healthz", health.healthz, name="healthz"),
]
