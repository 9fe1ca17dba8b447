"""Puts a mutant in the place of the module that is already loaded, in this process for good.

Whoever has imported a function still holds it, so functions get new code instead of being replaced.
Constants are replaced wherever the same object is held under the same name.
"""

from __future__ import annotations

import sys
import types
from typing import Any

from tests.mutants.generate import Mutant
from tests.mutants.targets import ROOT


def apply(mutant: Mutant) -> None:
    """Change the loaded module; raises what the mutant raises when it is loaded."""
    name = mutant.module.removesuffix(".py").replace("/", ".")
    old = sys.modules[name]
    new = types.ModuleType(name)
    new.__file__, new.__package__ = old.__file__, old.__package__
    sys.modules[name] = new  # dataclasses look their module up
    try:
        exec(compile(mutant.source, str(ROOT / mutant.module), "exec"), new.__dict__)
    finally:
        sys.modules[name] = old
    for key, fresh in vars(new).items():
        held = vars(old).get(key)
        if key.startswith("__") or held is fresh:
            continue
        if getattr(fresh, "__module__", name) != name:
            continue
        if isinstance(held, types.FunctionType) and isinstance(fresh, types.FunctionType):
            _take_code(held, fresh)
        elif isinstance(held, type) and isinstance(fresh, type):
            _take_methods(held, fresh)
        else:
            _replace_everywhere(key, held, fresh)


def _take_code(held: types.FunctionType, fresh: types.FunctionType) -> None:
    held.__code__ = fresh.__code__
    held.__defaults__, held.__kwdefaults__ = fresh.__defaults__, fresh.__kwdefaults__


def _take_methods(held: type, fresh: type) -> None:
    """Methods keep their code alone: a decorator that is gone is taken with the attribute."""
    for key, item in vars(fresh).items():
        before = vars(held).get(key)
        if isinstance(item, types.FunctionType) and isinstance(before, types.FunctionType):
            if item.__code__.co_freevars == before.__code__.co_freevars:
                _take_code(before, item)
        elif isinstance(item, classmethod | staticmethod | property | types.FunctionType):
            setattr(held, key, item)
    for key, item in list(vars(held).items()):
        if isinstance(item, types.FunctionType) and key not in vars(fresh):
            delattr(held, key)  # a record that is no longer frozen lets itself be written to
    if "__dataclass_params__" in vars(held) and "__dataclass_params__" not in vars(fresh):
        raise TypeError("a record that cannot be made with values any more")


def _replace_everywhere(key: str, held: Any, fresh: Any) -> None:
    for module in list(sys.modules.values()):
        names = getattr(module, "__dict__", {})
        if key in names and names[key] is held:
            names[key] = fresh
