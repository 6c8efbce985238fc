"""The pure modules whose mutants are tried, with the tests that concern each.

By what would be hurt if they were wrong. A mutant runs these tests alone, in this order, up to the
first that fails; names are of ``tests/unit``, or of ``tests/outside`` or ``tests/contract`` with
their folder. Tests that want a server are left out.
"""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[2]

_PRICES = ("pricing", "pricing_terms", "bundles")
_BOOKS = ("reconcile", "charge_exceptions", "control_totals")
_KERMA_ALONE = ("kerma", "kerma_uncertainty", "tube_output", "dose_units", "dose_limits")
_KERMA = (*_KERMA_ALONE, "calibration", "outside/kerma_against_published")
_PLAUSIBILITY = (
    "dose_plausibility",
    "dose_wrong_units",
    "dose_false_alarms",
    "doubtful_dose",
)
_DOUBTS = (*_PLAUSIBILITY, "dose_questions")
_ROOM_DAY = ("room_day", "room_day_decisions", "room_day_patients")
_DAYS = ("linking", *_ROOM_DAY, "golden_days", "tellings", "loose")
_LINKS = ("linking", "linking_work", "outside/linking_against_scipy")
_NOTE = ("note_lifecycle", "note_signatures", "note_lifecycle_properties")

GROUPS: dict[str, dict[str, tuple[str, ...]]] = {
    "money": {
        "charges/amounts": _PRICES,
        "charges/assess": ("charges_assessed", "contract/charges_worker"),
        "charges/assignment": ("outside/assignment_against_scipy", "reconcile"),
        "charges/case": _PRICES,
        "charges/compared": _BOOKS,
        "charges/control_totals": ("control_totals",),
        "charges/corrected": ("reconcile", "charge_exceptions", "contract/reconciliation_worker"),
        "charges/drafts": _PRICES,
        "charges/dry_run": ("tariff_check",),
        "charges/effects": ("charge_exceptions", "contract/reconciliation_worker"),
        "charges/exceptions": ("charge_exceptions",),
        "charges/left_over": (*_BOOKS, "contract/reconciliation_worker"),
        "charges/ledger": ("ledger",),
        "charges/matching": ("matching", "reconcile", "charge_exceptions"),
        "charges/month_summary": ("charge_exceptions",),
        "charges/pricing": _PRICES,
        "charges/reconcile": ("reconcile", "control_totals"),
        "charges/rule_boxes": ("tariff_check",),
        "charges/tariff_changes": ("tariff_check",),
        "charges/tariff_check": ("tariff_check",),
    },
    "dose": {
        "assessment/beam_geometry": _KERMA,
        "assessment/beam_quality": _KERMA,
        "assessment/calibration": ("calibration", *_KERMA_ALONE),
        "assessment/calibration_doubt": ("calibration_doubt", *_DOUBTS),
        "assessment/chosen_output": _KERMA,
        "assessment/dose": ("dose", "dose_questions", *_PLAUSIBILITY),
        "assessment/dose_batch": ("dose_batch",),
        "assessment/dose_doubt": _DOUBTS,
        "assessment/dose_periods": ("dose_periods",),
        "assessment/dose_plausibility": _DOUBTS,
        "assessment/dose_questions": _DOUBTS,
        "assessment/dose_rolling": ("dose_rolling",),
        "assessment/dose_slips": (*_PLAUSIBILITY, "outside/dose_units_against_pint"),
        "assessment/dose_sums": ("dose", *_PLAUSIBILITY),
        "assessment/dose_typical": ("typical_values", "dose_periods"),
        "assessment/dose_verdict": ("dose", *_PLAUSIBILITY),
        "assessment/kerma": _KERMA,
        "assessment/kerma_uncertainty": (
            *_KERMA,
            "outside/kerma_against_surveys",
            "outside/kerma_uncertainty_by_monte_carlo",
        ),
        "assessment/planned_dose": ("planned_dose",),
        "assessment/plausible_ranges": _DOUBTS,
        "assessment/reported_doubts": _DOUBTS,
        "assessment/room_workload": ("outside/scatter_against_published",),
        "assessment/scatter": ("outside/scatter_against_published",),
        "assessment/setting_doubts": _DOUBTS,
        "assessment/tube_output": _KERMA,
        "assessment/typical_values": (
            "typical_values",
            "outside/dose_statistics_against_published",
        ),
    },
    "linking": {
        "assessment/alignment": ("alignment", "outside/linking_against_scipy"),
        "assessment/belonging": _DAYS,
        "assessment/clock_offset": ("clock_offset", *_DAYS),
        "assessment/clock_stands": ("loose", "linking"),
        "assessment/clock_tracks": (
            "clock_beliefs",
            "clock_tracks",
            "room_clocks",
            "loose",
            "linking",
        ),
        "assessment/event_links": ("event_links", *_DAYS),
        "assessment/foreign_devices": ("foreign_devices",),
        "assessment/link_confidence": ("link_confidence", "linking_work", "linking"),
        "assessment/link_judgement": ("link_judgement", "linking", "linking_work"),
        "assessment/linking": _LINKS,
        "assessment/loose": ("loose_words", "loose"),
        "assessment/pairing_scores": ("pairing_scores", *_LINKS),
        "assessment/room_alignment": ("room_alignment", *_LINKS),
        "assessment/room_clocks": ("room_clocks", "linking", "linking_work", "loose"),
        "assessment/room_links": ("room_links", "step_tellings", *_DAYS),
        "assessment/room_members": ("room_members", *_DAYS, "explained_day"),
        "assessment/room_pairs": ("room_pairs", "linking", "linking_work"),
        "assessment/step_tellings": ("step_tellings",),
        "assessment/tellings": ("telling_pairs", "tellings", "golden_days"),
    },
    "series and technique": {
        "assessment/animals": ("animals", "explained_day"),
        "assessment/control_limits": ("outside/dose_statistics_against_published",),
        "assessment/counting": (*_ROOM_DAY, "animals"),
        "assessment/exposure_technique": (*_KERMA_ALONE, "dose", *_PLAUSIBILITY),
        "assessment/handovers": ("tellings",),
        "assessment/one_study": (*_ROOM_DAY, "explained_day", "animals", "told_for_charges"),
        "assessment/quality": ("quality", "outside/quality_against_published"),
        "assessment/questions": (*_ROOM_DAY, "explained_day"),
        "assessment/readiness": (*_ROOM_DAY, "told_for_charges"),
        "assessment/repeats": ("repeats", *_ROOM_DAY),
        "assessment/series": ("series", *_ROOM_DAY),
        "assessment/series_views": ("series_views", "series", *_ROOM_DAY),
        "assessment/set_cover": ("set_cover", "outside/set_cover_against_scipy"),
        "assessment/study": (*_ROOM_DAY, "explained_day", "loose"),
        "assessment/study_exposures": (*_ROOM_DAY, "dose_questions", "planned_dose"),
        "assessment/suspicions": ("suspicions", "explained_day"),
        "assessment/technique": ("technique", "explained_day"),
        "assessment/told_series": (*_ROOM_DAY, "explained_day", "series"),
        "assessment/view_choice": ("series", *_ROOM_DAY),
    },
    "notes": {
        "notes/changes": _NOTE,
        "notes/content": _NOTE,
        "notes/draft": ("note_draft", "note_writing"),
        "notes/draft_dose": ("note_draft",),
        "notes/draft_exposures": ("note_draft",),
        "notes/lifecycle": _NOTE,
        "notes/note_now": _NOTE,
        "notes/note_versions": ("note_versions", "outside/note_sr_by_others"),
        "notes/permission": _NOTE,
        "notes/reminders": ("note_reminders",),
        "notes/signing": _NOTE,
        "notes/writing": ("note_writing", "note_draft"),
        "notes/written": ("note_written", *_NOTE, "note_differences"),
    },
}

TESTS = {module: tests for modules in GROUPS.values() for module, tests in modules.items()}
MODULES = tuple(TESTS)


def file_of(module: str) -> Path:
    """Give the file of ``charges/amounts``."""
    return ROOT / "services" / f"{module}.py"


def dotted(module: str) -> str:
    """Give the import name of ``charges/amounts``."""
    return f"services.{module.replace('/', '.')}"


def tests_of(module: str) -> list[str]:
    """Give the files of the tests that concern a module, in their order."""
    parted = [
        (name.rpartition("/")[0] or "unit", name.rpartition("/")[2]) for name in TESTS[module]
    ]
    return [f"tests/{folder}/test_{name}.py" for folder, name in parted]
