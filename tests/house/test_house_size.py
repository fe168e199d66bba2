"""The size limits and names of the house, held over every module of the package."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "trialkit"
MODULES = sorted(PACKAGE.rglob("*.py"))
BANNED = {"utils", "helpers", "common", "base", "misc"}


def _functions(tree):
    return [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]


def _body_lines(function):
    body = function.body
    if isinstance(body[0], ast.Expr) and isinstance(body[0].value, ast.Constant):
        body = body[1:]  # the docstring is not counted
    return 0 if not body else body[-1].end_lineno - body[0].lineno + 1


def _parameters(function):
    spec = function.args
    names = [a.arg for a in (*spec.posonlyargs, *spec.args, *spec.kwonlyargs)]
    return [name for name in names if name not in {"self", "cls"}]


def _is_command(module, function):
    # A command's parameters are its command-line options, which the contract fixes.
    return module.parent.name == "cli" and function.name == "command"


def too_long(source):
    return len(source.splitlines()) > 400


def long_functions(source):
    return [f.name for f in _functions(ast.parse(source)) if _body_lines(f) > 50]


@pytest.mark.parametrize("module", MODULES, ids=lambda m: str(m.relative_to(PACKAGE)))
def test_module_keeps_the_house_limits(module):
    source = module.read_text(encoding="utf-8")
    assert not too_long(source), "over 400 lines"
    assert long_functions(source) == [], "function bodies over 50 lines"
    many = [
        f.name
        for f in _functions(ast.parse(source))
        if len(_parameters(f)) > 6 and not _is_command(module, f)
    ]
    assert many == [], "more than six parameters"
    assert module.stem not in BANNED


def test_the_limits_fire():
    assert too_long("x = 1\n" * 401)
    assert not too_long("x = 1\n" * 400)
    body = "    x = 1\n" * 51
    assert long_functions("def f():\n" + body) == ["f"]
    assert long_functions("def f():\n    '''A doc.'''\n" + "    x = 1\n" * 50) == []
