"""Tokens by which a person's programs act for them: made with badge and PIN, for one role, until a day."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.identity import tokens as identity
from incidents.identity.ids import named, new_id
from incidents.pages.deciding import signer_of
from incidents.pages.forms import Text
from incidents.pages.here import MADE_BEFORE, Here, Unreadable, in_facility, posted_uuid
from incidents.rules.meanings import NOT_SIGNED


class TokenForm(forms.Form):
    """What the token is for; its role is one of the person's own."""

    label = Text(label="What for", help_text="The program that will hold it, and where it runs.")
    role = forms.ChoiceField(label="Acts as")
    days = forms.TypedChoiceField(
        label="Good for", coerce=int, choices=[(days, f"{days} days") for days in identity.LIFETIMES_DAYS]
    )


@in_facility
def tokens(here: Here) -> HttpResponseBase:
    """My tokens with their last use; posted with my badge and PIN, a new one, shown this once."""
    form = TokenForm(here.request.POST if here.request.method == "POST" else None)
    role: forms.ChoiceField = form.fields["role"]  # type: ignore[assignment]
    role.choices = [(each, each.replace("-", " ").capitalize()) for each in here.rights.roles]
    if form.is_valid():
        if signer_of(here, "") == here.person:
            return _made(here, form)
        form.add_error(None, f"{NOT_SIGNED.sentence} {NOT_SIGNED.next_step}")
    return here.page(
        "tokens.html",
        "evidence",
        status=422 if form.is_bound else 200,
        form=form,
        tokens=identity.may_see(here.facility.id, here.person.id, ()),
    )


def _made(here: Here, form: TokenForm) -> HttpResponse:
    given = form.cleaned_data
    deed = named(posted_uuid(here.request, "deed") or new_id(), f"token {here.person.id}")
    asked = (given["role"], given["label"], given["days"])
    try:
        secret = identity.make_for_person(here.person, here.facility, *asked, deed)
    except identity.MadeBefore:
        raise Unreadable(*MADE_BEFORE, status=409) from None
    response = here.page("token_made.html", "evidence", secret=secret, given=given)
    response["Cache-Control"] = "no-store"
    return response


@require_POST
@in_facility
def revoke(here: Here, token: str) -> HttpResponse:
    if not identity.revoke(here.facility.id, token, here.person.id, (), here.now):
        raise Http404
    messages.success(here.request, "The token is revoked.")
    return redirect("tokens", slug=here.facility.slug)
