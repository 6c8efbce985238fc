"""All mutants of a module, by the operators of cosmic-ray.

Left out, since no test could tell them from the original or since any test does: annotations
(never evaluated), decorators and ``strict=`` of ``zip`` (checks of what cannot be), names, and
`==` for `is`. Of binary operators each is changed into its opposite alone, of comparisons into
the one with the other edge and the one with the other side.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.provider import OperatorProvider

from tests.mutants.modules import file_of

OPERATORS = (
    "AddNot", "ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ReplaceAndWithOr",
    "ReplaceOrWithAnd", "ReplaceBreakWithContinue", "ReplaceContinueWithBreak",
    "ExceptionReplacer", "NumberReplacer", "ZeroIterationForLoop",
    *(f"ReplaceBinaryOperator_{names}" for names in (
        "Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "FloorDiv_Div", "Mod_FloorDiv", "Pow_Mul",
        "BitOr_BitAnd", "BitAnd_BitOr", "BitXor_BitOr", "LShift_RShift", "RShift_LShift",
    )),
    *(f"ReplaceComparisonOperator_{names}" for names in (
        "Lt_LtE", "Lt_GtE", "LtE_Lt", "LtE_Gt", "Gt_GtE", "Gt_LtE", "GtE_Gt", "GtE_Lt",
        "Eq_NotEq", "NotEq_Eq", "Is_IsNot", "IsNot_Is",
    )),
    "ReplaceUnaryOperator_USub_UAdd", "ReplaceUnaryOperator_Delete_Not",
)  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One small fault of one module."""

    module: str
    operator: str
    occurrence: int
    line: int
    was: str
    becomes: str

    @property
    def key(self) -> str:
        """What it is, whatever stands above it in its file."""
        return f"{self.module} | {self.was} | {self.becomes}"


def sampled(module: str, size: int, seed: int) -> tuple[list[Mutant], int]:
    """Draw mutants of a module; a larger size adds to what a smaller drew. Also tell how many are.

    Which line it is in is known for all; what it becomes is worked out for those drawn.
    """
    source = file_of(module).read_text(encoding="utf-8")
    places = list(_places(source))
    drawn = random.Random(f"{seed} {module}").sample(places, len(places))[:size]
    found = [_mutant(module, source, *place) for place in drawn]
    return [one for one in found if not _is_none(one)], len(places)


@lru_cache(maxsize=4096)
def mutated(source: str, operator: str, occurrence: int) -> str:
    """Give the source with the fault in it."""
    changed: str | None = mutate_code(source, _operators()[operator](), occurrence)
    if changed is None:
        raise LookupError(f"{operator} {occurrence}: the source has no such place")
    return changed


def _is_none(mutant: Mutant) -> bool:
    """Tell of a change of nothing, and of the bare star between parameters: it is no product."""
    is_star = mutant.operator.endswith("Mul_Div") and mutant.was.startswith(("def ", "*,"))
    return is_star or mutant.was == mutant.becomes


def _mutant(module: str, source: str, operator: str, occurrence: int, line: int) -> Mutant:
    before = source.splitlines()
    after = mutated(source, operator, occurrence).splitlines()
    gone = [(was, now) for was, now in zip(before, after, strict=False) if was != now]
    was, now = gone[0] if gone else ("", "")
    return Mutant(module, operator, occurrence, line, was.strip(), now.strip())


def _places(source: str) -> Iterator[tuple[str, int, int]]:
    nodes = list(ast_nodes(get_ast(source)))
    passed = {id(node): _is_passed_over(node) for node in nodes}
    for name in OPERATORS:
        operator = _operators()[name]()
        occurrence = 0
        for node in nodes:
            for (line, _), _end in operator.mutation_positions(node):
                if not passed[id(node)]:
                    yield name, occurrence, line
                occurrence += 1


def _is_passed_over(node: Any) -> bool:
    """Tell whether it is in an annotation, a decorator, or ``strict=``."""
    inner, outer = node, node.parent
    while outer is not None:
        if outer.type in ("annassign", "tfpdef"):
            is_value = (
                outer.type == "annassign"
                and "=" in outer.children
                and (outer.children.index(inner) == len(outer.children) - 1)
            )
            if not is_value:
                return True
        if outer.type == "funcdef" and outer.annotation is inner:
            return True
        if outer.type == "param" and outer.annotation is inner:
            return True
        if outer.type == "decorator":
            return True
        if outer.type == "argument" and outer.children[0].get_code().strip() == "strict":
            return True
        inner, outer = outer, outer.parent
    return False


@cache
def _operators() -> dict[str, Any]:
    provider = OperatorProvider()
    return {name: provider[name] for name in provider}
