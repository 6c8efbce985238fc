"""Acting at the charge desk: one confirmation lists what will be told, then each fact is told."""

from datetime import UTC, datetime
from typing import Annotated, Any, Final
from urllib.parse import quote

from fastapi import Form, Query
from fastapi.responses import Response

from services.console.changes import topic
from services.console.charges import acting, deeds
from services.console.charges.acting import Item, What, Wish
from services.console.charges.bills import some_bills
from services.console.charges.deeds import Deed, Outcome
from services.console.charges.views import some_exceptions
from services.console.charges.words import STATUSES
from services.console.door import check_tap
from services.console.pages.charges import saying
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting

Picked = Annotated[list[str], Form(alias="pick")]
ShortForm = Annotated[str, Form(max_length=160)]
Reason = Annotated[str, Form(max_length=2000)]


def confirm(
    visit: Visiting,
    site: str,
    what: ShortForm,
    pick: Picked,
    reason: Reason = "",
    posting_key: ShortForm = "",
    back: Annotated[str, Form(max_length=500)] = "",
) -> Response:
    """List what will be told, and what will not and why. Nothing is told yet."""
    wish = _wish(what, reason, posting_key)
    items = _items(visit, site, wish, pick)
    return visit.page(
        "charges_confirm.html",
        wish=wish,
        route=acting.ROUTE[wish.what],
        items=[one for one in items if one.fact is not None],
        blocked=[one for one in items if one.fact is None],
        totals=acting.totals(items),
        back=_back(site, back),
        **saying(visit),
    )


def decide(
    visit: Visiting,
    site: str,
    what: ShortForm,
    pick: Picked,
    tap: ShortForm,
    reason: Reason = "",
    posting_key: ShortForm = "",
) -> Response:
    """Tell the decisions that were confirmed."""
    wish = _wish(what, reason, posting_key)
    return _tell(visit, site, wish, pick, tap, "decide")


def countersign(visit: Visiting, site: str, pick: Picked, tap: ShortForm) -> Response:
    """Tell that a second person agrees; never to a decision of their own."""
    return _tell(visit, site, Wish(What.COUNTERSIGN), pick, tap, "countersign")


def release(visit: Visiting, site: str, pick: Picked, tap: ShortForm) -> Response:
    """Let the charges of studies go out."""
    return _tell(visit, site, Wish(What.RELEASE), pick, tap, "release")


def show_sent(visit: Visiting, site: str, batch: Annotated[str, Query(max_length=64)]) -> Response:
    """Show what became of each thing that was confirmed together."""
    shown = _sent(visit, site, batch)
    return visit.page("charges_sent.html", live=visit.live(topic("bills", site)), **shown)


def show_sent_now(
    visit: Visiting, site: str, batch: Annotated[str, Query(max_length=64)] = ""
) -> Response:
    """Show the same, as the part of the page that changes."""
    return visit.page("charges_sent_now.html", **_sent(visit, site, batch))


def again(visit: Visiting, site: str, batch: Annotated[str, Form(max_length=64)]) -> Response:
    """Send once more what is not known to be kept; nothing is done twice."""
    acting.tell_again(visit, site, batch)
    visit.console.changes.wake()
    return visit.go_to(f"/sites/{site}/charges/sent?batch={quote(batch, safe='')}")


def _wish(what: str, reason: str, posting_key: str) -> Wish:
    if what not in set(What):
        raise Trouble(422, f"what: expected one of {', '.join(What)}.")
    wish = Wish(What(what), reason.strip(), posting_key.strip())
    if wish.what is What.ACCEPT and not wish.reason:
        raise Trouble(
            422,
            "Nothing was done: to leave something as it is needs a reason.",
            "Go back, write the reason, and tap once more.",
        )
    if (wish.what is What.ASSIGN) != bool(wish.posting_key):
        raise Trouble(422, "posting_key: expected the charge that the line is.")
    return wish


def _items(visit: Visit, site: str, wish: Wish, pick: list[str]) -> list[Item]:
    picks = acting.picks_of(pick)
    with visit.console.store.read() as connection:
        return acting.items_of(connection, site, visit.person.account.person.name, wish, picks)


def _tell(visit: Visit, site: str, wish: Wish, pick: list[str], tap: str, route: str) -> Response:
    if acting.ROUTE[wish.what] != route:
        raise Trouble(400)
    check_tap(tap)
    acting.tell(visit, site, wish, _items(visit, site, wish, pick), tap)
    visit.console.changes.wake()
    return visit.go_to(f"/sites/{site}/charges/sent?batch={tap}")


def _back(site: str, told: str) -> str:
    """Lead back to the list that the picks came from, and to no other address."""
    own = f"/sites/{site}/charges"
    return told if told.startswith((f"{own}?", f"{own}/")) else own


def _sent(visit: Visit, site: str, batch: str) -> dict[str, Any]:
    with visit.console.store.read() as connection:
        told = deeds.deeds_of(connection, site, batch)
        abouts = [one.about for one in told]
        listed = some_exceptions(connection, site, abouts)
        bills = some_bills(connection, site, abouts)
    now = datetime.now(UTC)
    rows: list[tuple[Deed, str, str]] = []
    for one in told:
        if one.outcome is not Outcome.SENT:
            rows.append((one, *_not_sent(one, now)))
        elif one.what == What.RELEASE:
            bill = bills.get(one.about)
            done = bill is not None and (bill.deed != one or bill.awaited is None)
            rows.append((one, "done", bill.state) if done and bill else (one, *_waits(one, now)))
        else:
            found = listed.get(one.about)
            if found is None:
                rows.append((one, "done", "It is not among the exceptions any more."))
            elif found.deed == one and found.awaited is not None:
                rows.append((one, *_waits(one, now)))
            else:
                rows.append((one, "done", f"Now: {STATUSES[found.found.status].lower()}."))
    day = next((one.day for one in told if one.day is not None), None)
    return {
        "rows": rows,
        "batch": batch,
        "day": day,
        "wrong": sum(state in {"failed", "meanwhile", "unknown"} for _, state, _ in rows),
        "own": [
            one
            for one in told
            if one.person == visit.person.account.key
            and (one.goes_again and (one.outcome is not Outcome.SENDING or one.is_stuck(now)))
        ],
    } | saying(visit)


def _not_sent(deed: Deed, now: datetime) -> tuple[str, str]:
    if deed.outcome is Outcome.SENDING and not deed.is_stuck(now):
        return "waits", "It is being sent."
    if deed.outcome in {Outcome.SENDING, Outcome.UNKNOWN}:
        return "unknown", "Nobody answered: it may have been kept, or not."
    return deed.outcome.value, deed.words


def _waits(deed: Deed, now: datetime) -> tuple[str, str]:
    if deed.is_slow(now):
        return "waits", "Sent, and no result for some minutes: tell who looks after the system."
    return "waits", "Sent, waiting for the result."


ROUTES: Final = (
    ("POST", "/sites/{site}/charges/confirm", confirm),
    ("POST", "/sites/{site}/charges/decide", decide),
    ("POST", "/sites/{site}/charges/countersign", countersign),
    ("POST", "/sites/{site}/charges/release", release),
    ("POST", "/sites/{site}/charges/again", again),
    ("GET", "/sites/{site}/charges/sent", show_sent),
    ("GET", "/sites/{site}/charges/sent/now", show_sent_now),
)
