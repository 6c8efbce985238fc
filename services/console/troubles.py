"""What goes wrong, in plain words, each with what to do next."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Words:
    """A trouble's title, what happened, and the next action."""

    title: str
    happened: str
    next: str


TROUBLES: Final[dict[int, Words]] = {
    400: Words(
        "This form is no longer good",
        "The page was open for long, or somebody else signed in meanwhile. Nothing was done.",
        "Open the page again, look at it, and tap once more.",
    ),
    401: Words(
        "You are not signed in",
        "Nobody is signed in on this browser any more. Nothing was done.",
        "Sign in, then try again.",
    ),
    403: Words(
        "This page is not for your role or your site",
        "You are signed in, but this page belongs to another role or another site.",
        "Go to your own pages. If you need this one, ask who looks after the group's settings.",
    ),
    404: Words(
        "There is no such page",
        "The address may be mistyped, or what it showed is gone.",
        "Go to your own pages and look from there.",
    ),
    405: Words(
        "That cannot be done here",
        "The address exists, but not for this.",
        "Go to your own pages and try from there.",
    ),
    409: Words(
        "Something changed meanwhile",
        "What you saw is no longer how it stands. Nothing was done.",
        "Go back, look at it as it is now, and do it again.",
    ),
    411: Words(
        "That could not be read",
        "The browser did not say how much it sends. Nothing was done.",
        "Open the page again and tap once more.",
    ),
    413: Words(
        "That was too much at once",
        "What was sent is larger than this page takes. Nothing was done.",
        "Send less at once.",
    ),
    422: Words(
        "Something in the form cannot be used",
        "A field is empty or not of the kind that is expected. Nothing was done.",
        "Go back, look at the fields, and send the form again.",
    ),
    429: Words(
        "Too many taps",
        "More came in a minute than one person taps. Nothing was done with the last one.",
        "Wait a moment, then tap again.",
    ),
    500: Words(
        "Something went wrong on our side",
        "It is written in the log of the console, and it is not your fault.",
        "Try again. If it stays, tell who looks after the system the time that you see below.",
    ),
    502: Words(
        "This could not be passed on",
        "Nothing was done.",
        "Try again in a moment. If it stays, tell who looks after the system.",
    ),
    503: Words(
        "Just now this cannot be reached",
        "The place where everything is kept does not answer. Nothing was lost, and nothing done.",
        "Wait a moment, then try again. Images go on being taken in by the other services.",
    ),
}


class Trouble(Exception):  # noqa: N818 - an answer for a person, not a fault
    """A page cannot be shown, or a tap not done. ``happened`` and ``next`` outrank the table's."""

    def __init__(
        self,
        status: int,
        happened: str | None = None,
        next_action: str | None = None,
        wait_s: int | None = None,
    ) -> None:
        self.status = status if status in TROUBLES else 500
        table = TROUBLES[self.status]
        self.words = Words(table.title, happened or table.happened, next_action or table.next)
        self.wait_s = wait_s
        super().__init__(self.words.title)
