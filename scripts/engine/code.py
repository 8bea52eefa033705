"""The code of a step as a parameter of its rule: an edited formula reruns the rule."""

import ast
import hashlib
from functools import cache
from pathlib import Path
from types import CodeType

ENGINE = Path(__file__).resolve().parent
SCRIPTS = ENGINE.parent


def code_of(*names):
    """The code behind a rule, as a parameter: when it changes, Snakemake reruns the rule.

    A name may hold a wildcard of the rule or a pattern: `figures/{figure}`, `outcomes/*`.
    """
    return lambda wildcards: fingerprint(
        *(name.format(**dict(wildcards.items())) for name in names)
    )


@cache
def fingerprint(*names):
    """Hash of scripts and all modules of ours they import; comments and docstrings do not count."""
    waiting = [path for name in names for path in sorted(SCRIPTS.glob(f"{name}.py"))]
    seen = {}
    while waiting:
        path = waiting.pop()
        if path not in seen:
            seen[path], imported = _digest_and_imports(path)
            waiting += imported
    text = "".join(f"{path.relative_to(SCRIPTS)}{seen[path]}" for path in sorted(seen))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


@cache
def syntax_tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _digest_and_imports(path):
    """Hash of what one file does, and the files of ours that it imports."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = set()
    for node in _statements(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list) and body and _is_text(body[0]):
            node.body = body[1:] or [ast.Pass(lineno=1, col_offset=0)]
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            parents = path.relative_to(SCRIPTS).parent.parts if node.level else ()
            base = ".".join([*parents, *([node.module] if node.module else [])])
            names |= {base, *(f"{base}.{alias.name}" for alias in node.names)}
    digest = hashlib.sha256("\n".join(_meaning(compile(tree, "", "exec"))).encode()).hexdigest()
    return digest, [file for name in sorted(names - {""}) for file in _files_of(name)]


def _statements(node):
    """A module and all statements in it, however deep."""
    yield node
    for name in ("body", "orelse", "finalbody", "handlers", "cases"):
        parts = getattr(node, name, None)
        for part in parts if isinstance(parts, list) else ():
            yield from _statements(part)


def _meaning(code):
    """What a compiled piece of code does, without the lines on which it stands."""
    counts = (code.co_argcount, code.co_posonlyargcount, code.co_kwonlyargcount, code.co_flags)
    names = (code.co_names, code.co_varnames, code.co_freevars, code.co_cellvars)
    yield f"{code.co_name} {counts} {names} {code.co_code.hex()} {code.co_exceptiontable.hex()}"
    for value in code.co_consts:
        if isinstance(value, CodeType):
            yield from _meaning(value)
        else:
            # the order within a set differs from one Python process to the next
            yield repr(sorted(map(repr, value)) if isinstance(value, frozenset) else value)


def _is_text(node):
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _files_of(name):
    """Files of ours that make up a module; those of this folder compute nothing."""
    stem = SCRIPTS / name.replace(".", "/")
    candidates = (stem.with_suffix(".py"), stem / "__init__.py")
    return [path for path in candidates if path.exists() and ENGINE not in path.parents]
