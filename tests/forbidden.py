"""What no source of the project may hold, found in its syntax tree.

Beyond what the linter's S rules see: SQL that is not text of our own, wherever it was put
together, any way to build objects from data, and any shell, whoever starts it.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass

OBJECT_BUILDERS = frozenset(
    {"pickle", "_pickle", "cPickle", "cloudpickle", "dill", "joblib", "marshal", "shelve", "yaml"}
)
"""Modules that make objects from what they read; of ``yaml``, PyYAML, the project needs nothing."""
OBJECT_CALLS = frozenset({"read_pickle", "to_pickle", "eval", "exec", "compile", "__import__"})
SHELLS = frozenset({"sh", "bash", "dash", "zsh", "ksh", "fish", "csh", "cmd", "powershell"})
SHELL_CALLS = frozenset(
    {"system", "popen", "getoutput", "getstatusoutput", "create_subprocess_shell"}
)
SQL_CALLS = frozenset({"execute", "executemany", "executescript"})
JOINING = 1
"""Arguments of ``str.join``."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found, and the line."""

    what: str
    line: int


def findings(source: str) -> list[Finding]:
    """Everything in a module that must not be there."""
    tree = ast.parse(source)
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            found += [Finding(what, node.lineno) for what in _imports(node)]
        elif isinstance(node, ast.Call):
            found += [Finding(what, node.lineno) for what in _call(node, tree)]
    return sorted(found, key=lambda one: one.line)


def _imports(node: ast.Import | ast.ImportFrom) -> Iterator[str]:
    names = [alias.name for alias in node.names]
    modules = names if isinstance(node, ast.Import) else [node.module or ""]
    if any(module.split(".")[0] in OBJECT_BUILDERS for module in modules):
        yield "objects from data"
    if modules == ["subprocess"] and set(names) & SHELL_CALLS:
        yield "shell"
    if modules == ["os"] and set(names) & SHELL_CALLS:
        yield "shell"


def _call(node: ast.Call, tree: ast.Module) -> Iterator[str]:
    called = node.func
    name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
    if name in SQL_CALLS and not (node.args and _is_own(node.args[0], tree, node)):
        yield "SQL put together"
    if (name in OBJECT_CALLS and _is_builtin_or_reader(called, name)) or _allows_pickle(node):
        yield "objects from data"
    if name == "YAML" and _keyword(node, "typ") != "safe":
        yield "objects from data"
    if isinstance(called, ast.Attribute) and name in SHELL_CALLS | {"spawnl", "spawnv"}:
        yield "shell"
    if _keyword(node, "shell") not in (None, False) or _starts_shell(node):
        yield "shell"


def _is_builtin_or_reader(called: ast.expr, name: str) -> bool:
    """``re.compile`` is another thing than ``compile``."""
    return isinstance(called, ast.Name) or name.endswith("_pickle")


def _allows_pickle(node: ast.Call) -> bool:
    return _keyword(node, "allow_pickle") not in (None, False)


def _keyword(node: ast.Call, name: str) -> object:
    """A keyword's constant value; what is no constant is given as the node itself."""
    for keyword in node.keywords:
        if keyword.arg == name:
            value = keyword.value
            return value.value if isinstance(value, ast.Constant) else value
    return None


def _starts_shell(node: ast.Call) -> bool:
    """Whether an argument list begins with a shell."""
    lists = [arg for arg in node.args if isinstance(arg, ast.List | ast.Tuple) and arg.elts]
    firsts = [one.elts[0] for one in lists]
    named = [one.value for one in firsts if isinstance(one, ast.Constant)]
    return any(isinstance(one, str) and one.split("/")[-1] in SHELLS for one in named)


def _is_own(node: ast.expr, tree: ast.Module, at: ast.AST) -> bool:
    """Whether a text is made of the module's own words alone, whole numbers aside."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, str)
    if isinstance(node, ast.JoinedStr):
        return all(_is_own(part, tree, at) for part in node.values)
    if isinstance(node, ast.FormattedValue):
        spec = node.format_spec
        return (spec is not None and ast.unparse(spec) == "f'd'") or _is_own(node.value, tree, at)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _is_own(node.left, tree, at) and _is_own(node.right, tree, at)
    if isinstance(node, ast.Attribute):
        return node.attr.isupper()
    if isinstance(node, ast.Name):
        return node.id.isupper() or _name_is_own(node.id, tree, at)
    return _is_row_of_marks(node)


def _is_row_of_marks(node: ast.expr) -> bool:
    """As in ``", ".join("?" for _ in values)``."""
    if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
        return False
    if node.func.attr != "join" or not isinstance(node.func.value, ast.Constant):
        return False
    inside = node.args[0] if len(node.args) == JOINING else None
    return isinstance(inside, ast.GeneratorExp) and isinstance(inside.elt, ast.Constant)


def _name_is_own(name: str, tree: ast.Module, at: ast.AST) -> bool:
    """Whether a local name holds our own words alone, by where it was given its value."""
    function = _function_around(at, tree)
    if function is None:
        return False
    given = [
        node.value
        for node in ast.walk(function)
        if isinstance(node, ast.Assign)
        and any(isinstance(target, ast.Name) and target.id == name for target in node.targets)
    ]
    parameters = [one.arg for one in function.args.args]
    if name not in parameters:
        return bool(given) and all(_is_own(value, tree, at) for value in given)
    return not given and _callers_give_own(function, parameters.index(name), tree)


def _callers_give_own(function: ast.FunctionDef, position: int, tree: ast.Module) -> bool:
    """A private function's text may come from callers, all of which are in this module."""
    if not function.name.startswith("_"):
        return False
    bound = function.args.args[0].arg == "self"
    calls = [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and getattr(node.func, "attr", getattr(node.func, "id", "")) == function.name
    ]
    return bool(calls) and all(
        len(call.args) > position - bound and _is_own(call.args[position - bound], tree, call)
        for call in calls
    )


def _function_around(at: ast.AST, tree: ast.Module) -> ast.FunctionDef | None:
    around = [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and any(inner is at for inner in ast.walk(node))
    ]
    return around[-1] if around else None
