"""Mutants as Cosmic Ray makes them: every operator that it has, at every place where it fits."""

from __future__ import annotations

import ast
import difflib
from collections.abc import Iterator
from dataclasses import dataclass

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.ast.ast_query import ASTQuery
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

from tests.mutants.targets import ROOT, Target


@dataclass(frozen=True, slots=True)
class Mutant:
    """One changed module. ``was`` and ``becomes`` are the lines that differ, stripped."""

    module: str
    operator: str
    occurrence: int
    definition: str
    line: int
    was: str
    becomes: str
    source: str

    @property
    def key(self) -> tuple[str, str, str]:
        """What an argument for its equivalence is filed under: it does not move with the lines."""
        return (self.module, self.was, self.becomes)


def mutants_of(target: Target) -> Iterator[Mutant]:
    """All mutants of a module that differ in more than an annotation, no two alike."""
    original = (ROOT / target.module).read_text()
    seen = {_meaning(original)}
    for name, occurrence, definition in _places(original):
        if target.only and definition not in target.only:
            continue
        mutated = mutate_code(original.encode(), get_operator(name)(), occurrence)
        if mutated is None:
            continue
        mutated = mutated.decode() if isinstance(mutated, bytes) else mutated
        try:
            meaning = _meaning(mutated)
        except SyntaxError:
            continue  # not even a module: nothing that anybody could run
        if meaning not in seen:
            seen.add(meaning)
            yield _mutant(target.module, name, occurrence, definition, original, mutated)


def _places(source: str) -> Iterator[tuple[str, int, str]]:
    tree = get_ast(source)
    for name in sorted(operator_names()):
        operator_class = get_operator(name)
        if operator_class.arguments():
            continue  # it would need a pattern, and that would be hand-picked
        operator, occurrence = operator_class(), 0
        for node in ast_nodes(tree):
            for _ in operator.mutation_positions(node):
                yield name, occurrence, str(ASTQuery(node).get_definition_name() or "")
                occurrence += 1


def _meaning(source: str) -> str:
    """What a module says without its annotations, which nothing evaluates."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.arg):
            node.annotation = None
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            node.returns = None
        elif isinstance(node, ast.AnnAssign):
            node.annotation = ast.Constant(None)
    return ast.dump(tree)


def _mutant(
    module: str, name: str, occurrence: int, definition: str, original: str, mutated: str
) -> Mutant:
    before, after = original.splitlines(), mutated.splitlines()
    matcher = difflib.SequenceMatcher(None, before, after, autojunk=False)
    changed = [code for code in matcher.get_opcodes() if code[0] != "equal"]
    first, last = changed[0], changed[-1]
    was = " ".join(line.strip() for line in before[first[1] : last[2]])
    becomes = " ".join(line.strip() for line in after[first[3] : last[4]])
    return Mutant(module, name, occurrence, definition, first[1] + 1, was, becomes, mutated)
