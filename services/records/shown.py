"""What a charge's images show, kept beside the entry for the record's own codes. Pure."""

from typing import Any

from schemas.conclusions import ChargesAssessed, LedgerEntry


def shown_by(charges: ChargesAssessed, entry: LedgerEntry) -> dict[str, Any]:
    """Give species, plan, and the views and teeth of the images that an entry rests on."""
    images = [one for one in charges.shown if one.sop_instance_uid in entry.images]
    views = dict.fromkeys(one.view for one in images if one.view is not None)
    return {
        "species": charges.species,
        "plan": charges.plan,
        "views": list(views),
        "teeth": sorted({tooth for one in images for tooth in one.teeth}),
    }
