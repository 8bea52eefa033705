"""The code of a step as a parameter of its rule: an edited formula reruns the rule."""

import ast
import atexit
import hashlib
import json
import os
import sys
from contextlib import suppress
from functools import cache
from pathlib import Path
from types import CodeType

from results.manifest import digest_of, sha256_of

ENGINE = Path(__file__).resolve().parent
SCRIPTS = ENGINE.parent

# another Python or another way to read code gives other digests
HERE_CHANGED_NS = Path(__file__).stat().st_mtime_ns

# what is known of files that have not changed since an earlier start of the workflow
REMEMBERED = Path(".snakemake") / "code.json"


def code_of(*names):
    """The code behind a rule, as a parameter: when it changes, Snakemake reruns the rule.

    A name may hold a wildcard of the rule or a pattern: `figures/{figure}`, `outcomes/*`.
    """

    def digest(wildcards):
        return fingerprint(*(name.format(**dict(wildcards.items())) for name in names))

    digest.scripts = names
    return digest


@cache
def fingerprint(*names):
    """Hash of scripts and all modules of ours they import; comments and docstrings do not count."""
    text = "".join(f"{name}{digest}" for name, digest in digests_behind(*names).items())
    return hashlib.sha256(text.encode()).hexdigest()[:12]


@cache
def digests_behind(*names):
    """Path inside scripts/ and digest of scripts and all modules of ours that they import."""
    waiting = [path for name in names for path in sorted(SCRIPTS.glob(f"{name}.py"))]
    seen = {}
    while waiting:
        path = waiting.pop()
        if path not in seen:
            seen[path], imported = _digest_and_imports(path)
            waiting += [file for name in imported for file in _files_of(name)]
    return {path.relative_to(SCRIPTS).as_posix(): seen[path] for path in sorted(seen)}


def code_behind(origins):
    """Digest of each file of the project behind the results, and one of all of them for each rule.

    origins : an `Origin` of results/manifest.py for each rule; its templates count by their bytes
    """
    templates = {name: sha256_of(SCRIPTS.parent / name) for o in origins for name in o.templates}
    files, by_rule = dict(templates), {}
    for origin in origins:
        scripts, named = origin.scripts, [(name, templates[name]) for name in origin.templates]
        files |= {f"scripts/{name}": digest for name, digest in digests_behind(*scripts).items()}
        by_rule[origin.rule] = digest_of([("scripts", fingerprint(*scripts)), *named])
    return files, by_rule


@cache
def syntax_tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _digest_and_imports(path):
    """Hash of what one file does, and the modules that it imports."""
    known, at = _known_digests(), path.stat()
    name = path.relative_to(SCRIPTS).as_posix()
    version = [at.st_mtime_ns, at.st_size, sys.hexversion, HERE_CHANGED_NS]
    if known.get(name, [None])[0] != version:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        imported = sorted(_imports_of(tree, path))
        # compiled with optimize=2, a docstring would still leave an instruction behind
        code = compile(_WithoutTexts().visit(tree), "", "exec")
        digest = hashlib.sha256("\n".join(_meaning(code)).encode()).hexdigest()
        known[name] = [version, digest, imported]
    return known[name][1:]


@cache
def _known_digests():
    known = {}
    with suppress(OSError, ValueError):
        known = json.loads(REMEMBERED.read_text(encoding="utf-8"))
    before = json.dumps(known)
    atexit.register(lambda: _remember(known) if json.dumps(known) != before else None)
    return known


def _remember(known):
    """Write down what is known, where Snakemake keeps notes; jobs beside this one read it whole."""
    with suppress(OSError):
        if REMEMBERED.parent.is_dir():
            written = REMEMBERED.with_suffix(f".{os.getpid()}")
            written.write_text(json.dumps(known), encoding="utf-8")
            written.replace(REMEMBERED)


class _WithoutTexts(ast.NodeTransformer):
    """Takes docstrings and other texts that nothing uses out of a syntax tree."""

    def visit_Expr(self, node):
        return None if isinstance(node.value, ast.Constant) else node

    def generic_visit(self, node):
        super().generic_visit(node)
        if getattr(node, "body", None) == []:
            node.body = [ast.Pass(lineno=1, col_offset=0)]
        return node


def _imports_of(tree, path):
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            parents = path.relative_to(SCRIPTS).parent.parts if node.level else ()
            base = ".".join([*parents, *([node.module] if node.module else [])])
            names |= {base, *(f"{base}.{alias.name}" for alias in node.names)}
    return names - {""}


def _meaning(code):
    """What a compiled piece of code does, without the lines on which it stands."""
    counts = (code.co_argcount, code.co_posonlyargcount, code.co_kwonlyargcount, code.co_flags)
    names = (code.co_names, code.co_varnames, code.co_freevars, code.co_cellvars)
    yield f"{code.co_name} {counts} {names} {code.co_code.hex()} {code.co_exceptiontable.hex()}"
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _meaning(constant)
        else:
            # the order within a set differs from one Python process to the next
            yield repr(sorted(map(repr, constant)) if isinstance(constant, frozenset) else constant)


@cache
def _files_of(name):
    """Files of ours that make up a module; those of this folder compute nothing."""
    stem = SCRIPTS / name.replace(".", "/")
    candidates = (stem.with_suffix(".py"), stem / "__init__.py")
    return [path for path in candidates if path.exists() and ENGINE not in path.parents]
