"""E-mail by SMTP, with the server that the environment names."""

from __future__ import annotations

import smtplib
from email.utils import parseaddr

from django.conf import settings
from django.core.mail import EmailMessage

from incidents.outbox.channels.failing import NotTaken
from incidents.outbox.channels.letter import Letter


def send(letter: Letter, address: str) -> None:
    """Hand it to the mail server. Its Message-ID is the same each time, so that a second one can be told.

    Raises NotTaken; for good where the server refuses the address (SMTP replies 5yz, RFC 5321, 4.2.1).
    """
    if not settings.SMTP:
        raise NotTaken("No mail server is set up here (SLUICEGATE_SMTP).")
    told = EmailMessage(letter.subject, letter.body, settings.DEFAULT_FROM_EMAIL, [address])
    told.extra_headers = {"Message-ID": f"<{letter.key}@{_domain()}>", "Auto-Submitted": "auto-generated"}
    try:
        told.send()
    except smtplib.SMTPRecipientsRefused as refused:
        code = next(iter(refused.recipients.values()))[0]
        raise NotTaken(f"The mail server refused the address ({code}).", for_good=code >= 500) from None
    except smtplib.SMTPResponseException as refused:
        raise NotTaken(f"The mail server answered {refused.smtp_code}.") from None
    except (OSError, smtplib.SMTPException) as error:
        raise NotTaken(f"The mail server did not answer ({type(error).__name__}).") from None


def _domain() -> str:
    return parseaddr(settings.DEFAULT_FROM_EMAIL)[1].rpartition("@")[2]
