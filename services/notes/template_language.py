"""What a group's template of a note may say: a small part of Jinja2, checked before it is used.

Output, conditions and loops over what the note gives, and a few filters. No assignment, macro,
call, arithmetic or include: so a template can neither reach beyond the note nor grow without
bound, whatever the texts in it are. The sandbox stands behind this check, not in its place.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

from jinja2 import StrictUndefined, TemplateSyntaxError, nodes
from jinja2.sandbox import ImmutableSandboxedEnvironment

MOST_CHARACTERS: Final = 64_000
MOST_DEEP: Final = 2
"""Loops may stand in each other so deep."""

FILTERS: Final = ("length", "lower", "trim", "upper")

TEXT, TOKEN, NUMBER, FLAG = "text", "token", "number", "flag"
"""``TOKEN`` is of letters, digits and hyphens alone: it may stand in an attribute of a page."""

BOUNDARY: Final = "boundary"
"""Where a part begins or ends that may be left out or come again."""

_TOKEN: Final = re.compile(r"[A-Za-z0-9 -]*")
_LIST_OF: Final = "list of "
KINDS: Final[Mapping[str, Mapping[str, str]]] = {
    "note": {
        "abbreviations": "list of abbreviation",
        "addenda": "list of addendum",
        "banner": TEXT,
        "content_sha256": TOKEN,
        "form": TOKEN,
        "language": TOKEN,
        "sections": "list of section",
        "signatures": "list of signature",
        "site_title": TEXT,
        "state": TOKEN,
    },
    "section": {
        "section": TOKEN,
        "title": TEXT,
        "text": TEXT,
        "lines": "list of text",
        "for_vet": FLAG,
    },
    "addendum": {"by": TEXT, "at": TEXT, "text": TEXT, "lines": "list of text"},
    "signature": {"by": TEXT, "at": TEXT, "final": FLAG},
    "abbreviation": {"short": TEXT, "expansion": TEXT},
    "loop": {"index": NUMBER, "first": FLAG, "last": FLAG, "length": NUMBER},
}
"""What a template may name, by kind of thing; the names of ``note`` stand alone."""

_PLAIN: Final = {TEXT, TOKEN, NUMBER}


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One thing that is wrong in a template."""

    line: int
    found: str
    expected: str

    def __str__(self) -> str:
        return f"line {self.line}: found {self.found}; expected {self.expected}"


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of the template in its order: text of its own, or a value of a kind."""

    line: int
    text: str | None
    kind: str = TEXT


def environment(*, html: bool) -> ImmutableSandboxedEnvironment:
    """Make an environment with the few filters, and nothing else to call."""
    made = ImmutableSandboxedEnvironment(
        autoescape=html,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.globals.clear()
    made.filters = {name: made.filters[name] for name in FILTERS}
    return made


def check_language(source: str) -> tuple[list[Fault], list[Piece]]:
    """Find what a template says that it may not, and lay out its pieces in order."""
    if len(source) > MOST_CHARACTERS:
        return [Fault(1, f"{len(source)} characters", f"at most {MOST_CHARACTERS}")], []
    try:
        tree = environment(html=True).parse(source)
    except TemplateSyntaxError as error:
        return [Fault(error.lineno, "a fault of syntax", error.message or "Jinja2")], []
    except RecursionError:
        return [Fault(1, "expressions without end in each other", "a template to be read")], []
    check = _Check([], [])
    check.statements(tree.body, dict(KINDS["note"]), 0)
    return sorted(check.faults), check.pieces


@dataclass(slots=True)
class _Check:
    faults: list[Fault]
    pieces: list[Piece]

    def statements(self, body: list[nodes.Node], names: dict[str, str], deep: int) -> None:
        for node in body:
            if isinstance(node, nodes.Output):
                self._output(node, names)
            elif isinstance(node, nodes.If):
                self.kind_of(node.test, names)
                for branch in (node.body, node.elif_, node.else_):
                    self._boundary(node)
                    self.statements(list(branch), names, deep)
                self._boundary(node)
            elif isinstance(node, nodes.For):
                self._loop(node, names, deep)
            else:
                self._fault(node, _words(node), "output {{ }}, {% if %} or {% for %}")

    def _output(self, node: nodes.Output, names: dict[str, str]) -> None:
        for one in node.nodes:
            if isinstance(one, nodes.TemplateData):
                self.pieces.append(Piece(one.lineno, one.data))
                continue
            kind = self.kind_of(one, names)
            if kind is not None and kind not in _PLAIN:
                self._fault(one, f"a {kind}", "one of its texts")
            self.pieces.append(Piece(one.lineno, None, kind or TEXT))

    def _loop(self, node: nodes.For, names: dict[str, str], deep: int) -> None:
        if deep >= MOST_DEEP:
            self._fault(node, f"loops {deep + 1} deep", f"at most {MOST_DEEP} in each other")
            return
        if node.recursive or not isinstance(node.target, nodes.Name):
            self._fault(node, "a loop of another kind", "{% for name in list %}")
            return
        kind = None
        if isinstance(node.iter, nodes.Name | nodes.Getattr):
            kind = self.kind_of(node.iter, names)
            if kind is not None and not kind.startswith(_LIST_OF):
                self._fault(node, f"a loop over a {kind}", f"a list: {_lists(names)}")
                kind = None
        else:
            self._fault(node, "a loop over what was computed", f"a list: {_lists(names)}")
        inner = names | {"loop": "loop"}
        if kind is None:
            return
        inner[node.target.name] = kind.removeprefix(_LIST_OF)
        if node.test is not None:
            self.kind_of(node.test, inner)
        self._boundary(node)
        self.statements(list(node.body), inner, deep + 1)
        self._boundary(node)
        self.statements(list(node.else_), names, deep)
        self._boundary(node)

    def _boundary(self, node: nodes.Node) -> None:
        self.pieces.append(Piece(node.lineno, None, BOUNDARY))

    def kind_of(self, node: nodes.Node, names: Mapping[str, str]) -> str | None:
        """Tell what an expression gives; None where that was found faulty."""
        if isinstance(node, nodes.Const):
            if isinstance(node.value, int | float):
                return NUMBER
            return TOKEN if _TOKEN.fullmatch(str(node.value)) else TEXT
        if isinstance(node, nodes.Name):
            return self._known(node, node.name, names)
        if isinstance(node, nodes.Getattr):
            kind = self.kind_of(node.node, names)
            return None if kind is None else self._known(node, node.attr, KINDS.get(kind, {}), kind)
        if isinstance(node, nodes.Filter):
            return self._filter(node, names)
        return self._kind_of_parts(node, names)

    def _kind_of_parts(self, node: nodes.Node, names: Mapping[str, str]) -> str | None:
        if isinstance(node, nodes.Compare | nodes.And | nodes.Or | nodes.Not):
            kind = FLAG
        elif isinstance(node, nodes.CondExpr):
            if node.expr2 is None:
                self._fault(node, "a choice without its other side", "{{ a if b else c }}")
                return None
            kinds = {self.kind_of(one, names) for one in (node.expr1, node.expr2)}
            kind = TOKEN if kinds == {TOKEN} else TEXT
        elif isinstance(node, nodes.List | nodes.Tuple):
            kind = "list of text"
        else:
            expected = f"a name, a comparison or a filter of these: {', '.join(FILTERS)}"
            self._fault(node, _words(node), expected)
            return None
        for child in node.iter_child_nodes():
            self.kind_of(child.expr if isinstance(child, nodes.Operand) else child, names)
        return kind

    def _filter(self, node: nodes.Filter, names: Mapping[str, str]) -> str | None:
        if node.name not in FILTERS or node.args or node.kwargs or node.node is None:
            self._fault(
                node, f"the filter {node.name}", f"one of {', '.join(FILTERS)}, without arguments"
            )
            return None
        kind = self.kind_of(node.node, names)
        if node.name == "length" and kind in {NUMBER, FLAG}:
            self._fault(node, f"the length of a {kind}", "that of a text or list")
        return NUMBER if node.name == "length" else kind

    def _known(
        self, node: nodes.Node, name: str, names: Mapping[str, str], of: str = "note"
    ) -> str | None:
        if name in names:
            return names[name]
        near = get_close_matches(name, names, n=1)
        meant = f" (was {near[0]} meant?)" if near else ""
        known = ", ".join(sorted(names)) or f"nothing of a {of}"
        self._fault(node, f"'{name}'", f"one of {known}{meant}")
        return None

    def _fault(self, node: nodes.Node, found: str, expected: str) -> None:
        # A scope of Jinja2's has no line of its own.
        within = (child.lineno for child in node.iter_child_nodes() if child.lineno)
        self.faults.append(Fault(node.lineno or next(within, 1), found, expected))


def _words(node: nodes.Node) -> str:
    return f"Jinja2's {type(node).__name__}"


def _lists(names: Mapping[str, str]) -> str:
    return ", ".join(sorted(_names_of_lists(names)))


def _names_of_lists(names: Mapping[str, str]) -> Iterator[str]:
    for name, kind in names.items():
        if kind.startswith(_LIST_OF):
            yield name
        for field, of in KINDS.get(kind, {}).items():
            if of.startswith(_LIST_OF):
                yield f"{name}.{field}"
