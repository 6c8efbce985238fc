"""A tap at the board: told to intake as a fact of whoever is signed in, once."""

from typing import Final

from fastapi import Request
from fastapi.responses import JSONResponse, Response
from starlette.concurrency import run_in_threadpool

from schemas.errors import InvalidInput
from schemas.facts import ImageStored
from services.console.chairside.board import Table
from services.console.chairside.tells import fact_of, moment_of
from services.console.pages.chairside import own_table
from services.console.troubles import Trouble
from services.console.visit import Visit, Visiting


async def tap(visit: Visiting, request: Request, site: str, room: str, study: str) -> Response:
    """Tell what was tapped. The page's script asks as part and gets the fact's key as JSON; a
    plain form is led back to the board."""
    form = await request.form()
    fields = {name: value for name, value in form.items() if isinstance(value, str)}
    return await run_in_threadpool(_tell, visit, fields, site, room, study)


def _tell(visit: Visit, fields: dict[str, str], site: str, room: str, study: str) -> Response:
    account = visit.person.account
    table = own_table(visit, site, room, study)
    meant = fields.get("person", account.key)
    if meant != account.key:
        raise Trouble(
            400,
            "Somebody else tapped this before you signed in. Nothing was done.",
            "Let that person sign in again, or put the tap away and tap anew.",
        )
    try:
        fact = fact_of(fields.get("what", ""), fields, study, _images(table), _views(table))
        tapped_at = moment_of(fields.get("tapped_at", ""))
    except InvalidInput as error:
        raise Trouble(
            422, f"Nothing was done. {error.field}: expected {error.expected}."
        ) from error
    told = visit.console.door.tell(account, site, fact, fields.get("tap", ""), tapped_at=tapped_at)
    if not visit.is_part:
        return visit.go_to(f"/sites/{site}/rooms/{room}/studies/{study}")
    return JSONResponse({"key": told.natural_key, "known": told.known})


def _images(table: Table) -> frozenset[str]:
    placed = {image.sop_instance_uid for image in table.study.images}
    coming = {
        one.fact.sop_instance_uid
        for one in table.board.just_told
        if isinstance(one.fact, ImageStored)
    }
    return frozenset(placed | coming)


def _views(table: Table) -> frozenset[str]:
    planned = {view.view for view in table.study.views}
    other = {view.code for view in table.plan.substitutes} if table.plan is not None else set()
    return frozenset(planned | other)


ROUTES: Final = (("POST", "/sites/{site}/rooms/{room}/studies/{study}/taps", tap),)
