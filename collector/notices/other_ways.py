"""Notification services other than mail, through the library ``apprise``.

The library says yes or no and nothing more, so a failed attempt may have arrived all the same.
"""

from __future__ import annotations

import logging

import apprise

from collector.core.notices.courier import Outcome
from collector.core.notices.wording import Text

logging.getLogger("apprise").setLevel(logging.CRITICAL)  # it logs addresses, which hold secrets

REFUSED = "the service did not take it"


def maybe_service(url: str) -> apprise.NotifyBase | None:
    """The service of an address; None where the library does not understand it."""
    made = apprise.Apprise.instantiate(url, suppress_exceptions=True)
    return made if isinstance(made, apprise.NotifyBase) else None


def send_by_service(url: str, text: Text) -> Outcome:
    """Hand a notice to a service; blocks, and raises nothing foreign.

    Args:
        url: address of the service; may hold a secret.
        text: sent as plain text, its first line first.
    """
    service = maybe_service(url)
    if service is None:
        return Outcome(False, "apprise does not understand the address of this way")
    try:
        taken = service.notify(body=text.whole, body_format=apprise.NotifyFormat.TEXT)
    except Exception as error:  # whatever a service's code raises, it did not get through
        return Outcome(False, f"{REFUSED}: {type(error).__name__}", uncertain=True)
    return Outcome(True) if taken else Outcome(False, REFUSED, uncertain=True)
