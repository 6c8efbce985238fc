"""``gomphosis study``: one study in plain words, with the facts that it rests on."""

import json
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from schemas.conclusions import StudyAssessed
from services.assessment import store as assessment_store
from services.assessment.counting import Fact, in_time
from services.assessment.explained_dose import dose_shown
from services.assessment.why import reasons
from services.runtime.cli.exits import Exit, plain_errors, stderr, stdout
from services.runtime.settings import load_settings
from services.runtime.store import Store


def show_study(
    study: Annotated[str, typer.Argument(help="The Study Instance UID.")],
    facts: Annotated[
        bool, typer.Option("--facts", help="The facts that it rests on, too.")
    ] = False,
    why: Annotated[
        bool, typer.Option("--why", help="Of each conclusion the rule and the facts behind it.")
    ] = False,
    json_output: Annotated[bool, typer.Option("--json", help="For a script to read.")] = False,
) -> None:
    """Show one study as assessed now.

    Exit code 3: no assessment of such a study is known.

    Example: gomphosis study 2.25.1001 --why
    """
    with plain_errors():
        settings = load_settings()
        opened = Store(settings.store_url, settings.store.pool_size)
        try:
            with opened.read() as connection:
                found = assessment_store.find_studies(connection, study)
                told = {
                    site: assessment_store.facts_by_key(connection, site, assessed.facts)
                    for site, assessed in found
                    if facts
                }
        finally:
            opened.close()
    if not found:
        stderr.print(f"study {study}: no assessment of it is known", markup=False)
        raise typer.Exit(Exit.NOT_FOUND)
    if json_output:
        shown = [_as_json(site, assessed, told.get(site)) for site, assessed in found]
        typer.echo(json.dumps(shown, indent=2))
        return
    for site, assessed in found:
        _print_head(site, assessed)
        _print_parts(assessed)
        if why:
            _print_why(assessed)
        if facts:
            _print_facts(told[site])


def _as_json(site: str, assessed: StudyAssessed, facts: list[Fact] | None) -> dict[str, Any]:
    shown: dict[str, Any] = {"site": site, "study": assessed.model_dump(mode="json")}
    if facts is not None:
        shown["facts"] = [
            fact.envelope().model_dump(mode="json") for fact in sorted(facts, key=in_time)
        ]
    return shown


def _print_head(site: str, assessed: StudyAssessed) -> None:
    # The animal's id, not its owner's name: a terminal is as public as a log.
    state = assessed.state.value.replace("_", " ")
    lines = [
        f"Study {assessed.study_instance_uid}, revision {assessed.revision}: {state}"
        + (", closed" if assessed.closed else ""),
        f"{site}, {assessed.room or 'no room'}, {assessed.day}; patient {assessed.patient_id}",
        f"Plan: {assessed.plan_title or 'none known'}",
    ]
    if assessed.state_words is not None:
        lines.append(assessed.state_words)
    if assessed.still_missing:
        lines.append("Still missing: " + "; ".join(assessed.still_missing))
    if assessed.suggested_views:
        lines.append(
            f"Fewest further views: {', '.join(assessed.suggested_views)}. "
            f"{assessed.suggestion_words or ''}".rstrip()
        )
    lines += [f"Changed: {words}" for words in assessed.changes]
    dose = assessed.dose
    lines.append(f"Dose: {dose.words}")
    if dose.planned is not None:
        lines.append(f"Planned dose: {dose.planned.words}")
    if dose.patient_period is not None:
        lines.append(f"Patient's dose: {dose.patient_period.words}")
    for line in lines:
        stdout.print(line, markup=False)


def _print_parts(assessed: StudyAssessed) -> None:
    _print_table(
        ("view", "status", "why"),
        [(v.title, v.status.value.replace("_", " "), v.words) for v in assessed.views],
    )
    _print_table(
        ("image", "taken (UTC)", "use", "why", "exposure"),
        [
            (
                i.sop_instance_uid,
                f"{i.acquired_at:%H:%M:%S}",
                i.use.value,
                i.words,
                "none linked"
                if i.exposure_key is None
                else f"{i.exposure_key} ({i.link_confidence or 0:.1%})",
            )
            for i in assessed.images
        ],
    )
    _print_table(
        ("exposure", "use", "kV", "mA", "ms", "mGy", "why"),
        [
            (
                e.exposure_key,
                e.use.value.replace("_", " "),
                f"{e.tube_kv:g}",
                f"{e.tube_current_ma:g}",
                f"{e.exposure_ms:g}",
                dose_shown(e),
                "; ".join(e.link_reasons),
            )
            for e in assessed.exposures
        ],
    )
    found = [(one.code, one.words) for one in assessed.technique]
    found += [(one.code, one.words) for one in assessed.quality]
    _print_table(("to check", "what"), [(code.replace("-", " "), words) for code, words in found])
    _print_table(
        ("repeat", "what"),
        [(one.kind.value.replace("_", " "), one.words) for one in assessed.repeats],
    )
    _print_table(("question for a person",), [(question.words,) for question in assessed.questions])


def _print_why(assessed: StudyAssessed) -> None:
    """In lines rather than columns: a fact's key is of use only whole."""
    for one in reasons(assessed):
        stdout.print()
        stdout.print(f"{one.about}: {one.concluded}", markup=False, soft_wrap=True)
        stdout.print(f"  rule: {one.rule}", markup=False, soft_wrap=True)
        for key in one.facts:
            stdout.print(f"  fact: {key}", markup=False, soft_wrap=True)


def _print_facts(facts: list[Fact]) -> None:
    _print_table(
        ("occurred (UTC)", "kind", "told by", "fact"),
        [
            (
                f"{fact.occurred_at:%Y-%m-%d %H:%M:%S}",
                fact.kind.replace("_", " "),
                f"{fact.source.kind} {fact.source.name}",
                fact.natural_key,
            )
            for fact in sorted(facts, key=in_time)
        ],
    )


def _print_table(heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    if not rows:
        return
    table = Table(*heads, show_edge=False)
    for row in rows:
        table.add_row(*(escape(cell) for cell in row))
    stdout.print()
    stdout.print(table)
