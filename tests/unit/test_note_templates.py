"""A group's own templates: what they may say, where a value may stand, how a fault is told."""

from importlib.resources import files
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from schemas.errors import InvalidInput
from services.notes.checks import check_notes
from services.notes.lifecycle import take_assessment
from services.notes.note_file import NoteFile
from services.notes.note_now import NoteNow, note_now
from services.notes.preview import invented_note
from services.notes.render import (
    MOST_OUTPUT,
    NoteTemplates,
    TooLong,
    bounded_render,
    check_template,
)
from services.notes.template_commands import invented_site, preview_note
from services.notes.template_language import MOST_CHARACTERS, environment
from services.notes.view import MOST_LINES, Form, view_of
from services.runtime.settings import Settings
from tests.assessed import GROUP, assessed, image

SITE = GROUP.site("north")
GOOD = "{{ banner }}{% for one in sections %}{{ one.title }}: {{ one.text }}{% endfor %}"


def _note(indication: str = "Invented words.") -> NoteNow:
    study = assessed(images=[image(1)], indication=indication)
    note = note_now(take_assessment(NoteFile(), study, SITE)[0], SITE)
    assert note is not None
    return note


@pytest.mark.parametrize("medium", ["txt", "html"])
def test_the_packaged_templates_have_no_fault(medium: str) -> None:
    source = (files("services.notes") / "templates" / f"note.{medium}.j2").read_text()

    assert check_template(source, html=medium == "html") == []


@pytest.mark.parametrize(
    ("source", "found", "expected"),
    [
        ("{{ banter }}", "'banter'", "was banner meant?"),
        ("{% for s in sections %}{{ s.titel }}{% endfor %}", "'titel'", "was title meant?"),
        ("{{ sections }}", "a list of section", "one of its texts"),
        ("{% for x in banner %}{% endfor %}", "a loop over a text", "a list: abbreviations"),
        ("{{ banner.__class__ }}", "'__class__'", "nothing of a text"),
        ("{{ banner.upper() }}", "Jinja2's Call", "a name"),
        ("{{ ''['__class__'] }}", "Jinja2's Getitem", "a name"),
        ("{{ banner|safe }}", "the filter safe", "one of length"),
        ("{{ banner|center(10000000) }}", "the filter center", "one of length"),
        ("{{ 'x' * 1000000000 }}", "Jinja2's Mul", "a comparison"),
        ("{{ banner ~ banner }}", "Jinja2's Concat", "a comparison"),
        ("{% set a = banner %}", "Jinja2's Assign", "{% if %} or {% for %}"),
        ("{% macro f() %}{% endmacro %}", "Jinja2's Macro", "{% if %} or {% for %}"),
        ("{% include 'x' %}", "Jinja2's Include", "{% if %} or {% for %}"),
        ("{% import 'x' as y %}", "Jinja2's Import", "{% if %} or {% for %}"),
        ("{% autoescape false %}{% endautoescape %}", "Scope", "{% if %}"),
        ("{% for x in range(9) %}{% endfor %}", "computed", "a list: "),
        ("{% for x in sections recursive %}{% endfor %}", "another kind", "for name in list"),
        ("{{ cycler }}", "'cycler'", "one of abbreviations"),
        ("{{ loop }}", "'loop'", "one of abbreviations"),
        ("{% if %}", "a fault of syntax", "xpected"),
        ("{{ banner if form }}", "without its other side", "else"),
    ],
)
def test_a_fault_is_told_with_its_line_and_what_was_expected(
    source: str, found: str, expected: str
) -> None:
    faults = check_template(f"\n\n{source}\n", html=False)

    assert faults, "the fault was not found"
    assert faults[0].line == 3
    assert found in faults[0].found
    assert expected in faults[0].expected


def test_loops_stand_in_each_other_no_deeper_than_two() -> None:
    deep = "{% for a in sections %}" * 3 + "{% endfor %}" * 3

    (fault,) = check_template(deep, html=False)

    assert "loops 3 deep" in fault.found


def test_a_template_is_bounded_in_size() -> None:
    (fault,) = check_template("x" * (MOST_CHARACTERS + 1), html=False)

    assert str(MOST_CHARACTERS) in fault.expected


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("<script>x()</script>", "<script>"),
        ("<img src='x'>", "<img>"),
        ("<iframe></iframe>", "<iframe>"),
        ("<p onclick='x()'>a</p>", "onclick"),
        ("<p style='x'>a</p>", "style"),
        ("<a href='https://invalid.example'>a</a>", "href"),
        ("<a href='{{ content_sha256 }}'>a</a>", "href"),
        ("<a href='#{{ banner }}'>a</a>", "href"),
        ("<p class={{ banner }}>a</p>", "a value in the attribute class"),
        ("<p title='{{ banner }}'>a</p>", "a value in the attribute title"),
        ("<p {{ banner }}>a</p>", "the name of an attribute"),
        ("<{{ banner }}>a", "a value"),
        ("<!-- {{ banner }} -->", "a comment"),
        ("<style>p { color: {{ banner }} }</style>", "a value in a style"),
        ("<style>@import 'x';</style>", "loads something"),
        ("<style>p { background: url(x) }</style>", "loads something"),
        ("<p class='{{ banner }}", "a tag that does not end"),
        ("<meta http-equiv='refresh' content='0'>", "http-equiv"),
        (
            "<p title={% if banner %}{% else %}x>{% endif %}{{ banner }}>",
            "a condition or loop in the attribute title",
        ),
        ("<p{% if banner %} id='x'{% endif %}>a</p>", "a condition or loop in the name of"),
        ("<p class='{{ banner if form else state }}'>a</p>", "a value in the attribute class"),
    ],
)
def test_no_text_stands_where_a_browser_reads_more_than_words(source: str, found: str) -> None:
    faults = check_template(f"<p>a</p>\n{source}\n", html=True)

    assert faults, "the fault was not found"
    assert any(found in fault.found for fault in faults)
    assert {fault.line for fault in faults} <= {2, 3}


def test_names_numbers_and_hashes_may_stand_in_attributes() -> None:
    source = (
        "<html lang='{{ language }}'>{% for s in sections %}<h2 id='{{ s.section }}'>"
        "<a href='#top'>{{ s.title }}</a></h2>{% endfor %}"
        "<p id='a-{{ content_sha256 }}'>{{ banner }}</p>"
        "<p class='{{ 'note short' if form == 'short' else 'note' }}'>a</p>"
    )

    assert check_template(source, html=True) == []


def test_what_a_template_makes_is_bounded() -> None:
    many = "{% for a in sections %}{% for b in sections %}{{ a.text }}{{ b.text }}{% endfor %}"
    compiled = environment(html=False).from_string(many + "{% endfor %}")
    view = view_of(_note("x" * 2_000), SITE, Form.FULL, ())

    with pytest.raises(TooLong, match="more than 1000 characters"):
        bounded_render(compiled, view, 1_000)


def test_a_text_of_very_many_lines_turns_a_loop_no_oftener_and_loses_none() -> None:
    note = _note()
    long = note.sections[1].model_copy(update={"text": "\n".join(["x"] * 5_000)})
    object.__setattr__(note, "sections", (long,))

    (section,) = view_of(note, SITE, Form.FULL, ())["sections"]

    assert len(section["lines"]) == MOST_LINES
    assert "\n".join(section["lines"]) == long.text


def test_the_groups_own_template_is_used_for_its_form_alone(tmp_path: Path) -> None:
    (tmp_path / "short.txt.j2").write_text(GOOD)

    templates = NoteTemplates.load(tmp_path)

    assert templates.text(_note(), SITE, Form.SHORT).startswith("DRAFT — NOT SIGNED")
    assert "Imaging note" not in templates.text(_note(), SITE, Form.SHORT)
    assert "Imaging note" in templates.text(_note(), SITE, Form.FULL)
    assert "Imaging note" in templates.html(_note(), SITE, Form.SHORT)


def test_values_of_the_groups_own_page_are_escaped(tmp_path: Path) -> None:
    (tmp_path / "full.html.j2").write_text(GOOD)

    page = NoteTemplates.load(tmp_path).html(_note('<b>x</b> & "y"'), SITE)

    assert "&lt;b&gt;x&lt;/b&gt; &amp; &#34;y&#34;" in page


@pytest.mark.parametrize(
    ("name", "source", "words"),
    [
        ("ful.txt.j2", GOOD, "full.txt.j2"),
        ("full.txt.j2", "{{ banter }}", "line 1"),
        ("full.html.j2", "<script></script>", "<script>"),
        ("full.txt.j2", b"\xff", "UTF-8"),
    ],
)
def test_a_folder_with_a_fault_is_refused_as_a_whole(
    tmp_path: Path, name: str, source: str | bytes, words: str
) -> None:
    (tmp_path / name).write_bytes(source if isinstance(source, bytes) else source.encode())

    with pytest.raises(InvalidInput, match=words):
        NoteTemplates.load(tmp_path)


def test_a_note_that_the_own_template_cannot_make_goes_out_in_the_packaged_form(
    tmp_path: Path,
) -> None:
    (tmp_path / "short.txt.j2").write_text("{{ banner }}" + "x" * 60_000)
    twice = "{% for a in sections %}{% for b in sections %}" + "x" * 3_000
    (tmp_path / "full.txt.j2").write_text(twice + "{% endfor %}{% endfor %}")
    templates = NoteTemplates.load(tmp_path)

    text = templates.text(_note(), SITE)

    assert "Imaging note" in text
    assert len(text) < MOST_OUTPUT[Form.FULL]
    assert templates.text(_note(), SITE, Form.SHORT).endswith("xxx")


def test_the_groups_abbreviations_go_over_the_packaged_ones(tmp_path: Path) -> None:
    (tmp_path / "abbreviations.yaml").write_text(
        "abbreviations:\n  - {short: ZZ, expansion: invented, source: invented}\n"
        "  - {short: ED, expansion: own words, source: invented}\n"
    )

    known = {one.short: one.expansion for one in NoteTemplates.load(tmp_path).known}

    assert (known["ZZ"], known["ED"]) == ("invented", "own words")
    assert known["T/FX/EF"] == "enamel fracture"


def test_a_check_before_the_start_names_the_fault_of_a_template(tmp_path: Path) -> None:
    settings = Settings(group_dir=tmp_path)
    assert list(check_notes(settings, GROUP)) == []
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "full.txt.j2").write_text(GOOD)

    (good,) = check_notes(settings, GROUP)
    (tmp_path / "notes" / "full.txt.j2").write_text("{{ banter }}")
    (wrong,) = check_notes(settings, GROUP)

    assert (good.good, good.words) == (True, "full.txt.j2")
    assert not wrong.good
    assert "line 1" in wrong.words
    assert "was banner meant?" in wrong.words


def _preview(*arguments: str) -> tuple[int, str, str]:
    app = typer.Typer()
    app.command()(preview_note)
    done = CliRunner().invoke(app, list(arguments))
    return done.exit_code, done.stdout, done.stderr


def test_a_preview_shows_the_invented_study_as_the_site_writes(tmp_path: Path) -> None:
    file = tmp_path / "full.txt.j2"
    file.write_text(GOOD)

    code, shown, _ = _preview("--template", str(file), "--locale", "de_AT", "--weight-unit", "lb")

    assert code == 0
    assert "25,1 lb (11,4 kg as told)" in shown
    assert "02.03.2026" in shown
    assert "1,6 mGy" in shown


def test_a_preview_shows_the_note_signed_where_that_is_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "full.txt.j2"
    file.write_text(GOOD)

    assert _preview("--template", str(file))[1].startswith("DRAFT")
    assert _preview("--template", str(file), "--signed")[1].startswith("Signed by Invented Vet")


def test_a_preview_names_every_fault_with_its_line(tmp_path: Path) -> None:
    file = tmp_path / "full.html.j2"
    file.write_text("<p>{{ banter }}</p>\n<script></script>\n")

    code, shown, told = _preview("--template", str(file))

    assert (code, shown) == (4, "")
    assert "full.html.j2: line 1: found 'banter'; expected one of" in told
    assert "line 2: found <script>" in told


def test_a_preview_of_no_file_or_an_unknown_locale_says_so(tmp_path: Path) -> None:
    file = tmp_path / "full.txt.j2"
    file.write_text(GOOD)

    assert "--template" in _preview("--template", str(tmp_path / "none"))[2]
    code, _, told = _preview("--template", str(file), "--locale", "xx_YY")
    assert code == 1
    assert "--locale" in told


def test_the_invented_study_shows_every_kind_of_thing_that_a_template_may_name() -> None:
    site = invented_site(None, None)
    notes = invented_note(site)

    view = view_of(notes.signed, site, Form.FULL, NoteTemplates.load().known)

    assert notes.draft.signed is None
    assert all(view.values())
