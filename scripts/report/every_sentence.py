"""Every sentence that the report can say, with the conditions under which it is said.

python3.11 scripts/launch.py sentences > sentences.md

Read from the code of scripts/report/ and from its templates: a text of several words, what stands
around it (`if`, `for`, an early `return`), and the place. Braces hold what a study fills in.
"""

import ast
import re

from engine.code import SCRIPTS, syntax_tree

TEMPLATES = SCRIPTS.parent / "workflow" / "templates" / "report"

# a text of fewer words is a label
FEWEST_WORDS = 4

# pieces of a template: markup, statements and texts
PIECES = re.compile(r"\{%-?\s*(.*?)\s*-?%\}|\{\{.*?\}\}|<(?:[^>{]|\{\{.*?\}\})*>", re.S)

# elements that do not end a sentence
INLINE = re.compile(r"</?(?:a|code|strong|span|small)\b")


def sentences_page():
    """The list as Markdown, one table for each file."""
    lines = [
        "# Every sentence of the report",
        "",
        "From the report's own code and templates. Braces hold what a study fills in; conditions "
        "stand as in the code, and a sentence is said where all of them hold. A text that is a "
        "part of a sentence ends without a full stop.",
        "",
    ]
    for place, sentences in every_sentence():
        lines += [f"## {place}", "", "| sentence | said where |", "|---|---|"]
        for text, conditions in sentences:
            lines.append(f"| {_cell(text)} | {_cell('; '.join(conditions)) or 'always'} |")
        lines.append("")
    return "\n".join(lines)


def every_sentence():
    """(place, [(text, conditions)]) of every file of the report that says anything."""
    folders = (SCRIPTS / "report", SCRIPTS / "report" / "sections")
    modules = sorted(path for folder in folders for path in folder.glob("*.py"))
    for path in modules:
        if path.stem in ("every_sentence", "__init__", "page", "drawn"):
            continue
        found = list(dict.fromkeys(_in_block(syntax_tree(path).body, ())))
        if found:
            yield path.relative_to(SCRIPTS.parent).as_posix(), found
    for path in sorted(TEMPLATES.glob("[!_]*.jinja")):
        found = list(dict.fromkeys(_in_template(path.read_text(encoding="utf-8"))))
        if found:
            yield path.relative_to(SCRIPTS.parent).as_posix(), found


def _in_block(statements, conditions):
    """Texts of statements in order; what follows an early end is said where it did not come."""
    for statement in statements:
        yield from _in_statement(statement, conditions)
        if isinstance(statement, ast.If) and _ends(statement.body) and not statement.orelse:
            conditions = (*conditions, f"not ({ast.unparse(statement.test)})")


def _ends(body):
    return isinstance(body[-1], ast.Return | ast.Continue | ast.Raise)


def _in_statement(statement, conditions):
    if isinstance(statement, ast.FunctionDef | ast.ClassDef):
        yield from _in_block(_without_docstring(statement.body), ())
    elif isinstance(statement, ast.If):
        test = ast.unparse(statement.test)
        yield from _in_expression(statement.test, conditions)
        yield from _in_block(statement.body, (*conditions, test))
        yield from _in_block(statement.orelse, (*conditions, f"not ({test})"))
    elif isinstance(statement, ast.For):
        each = f"for each {ast.unparse(statement.target)} of {ast.unparse(statement.iter)}"
        yield from _in_expression(statement.iter, conditions)
        yield from _in_block(statement.body, (*conditions, each))
    elif isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant):
        return
    else:
        yield from _in_expression(statement, conditions)


def _in_expression(node, conditions):
    if isinstance(node, ast.IfExp):
        test = ast.unparse(node.test)
        yield from _in_expression(node.body, (*conditions, test))
        yield from _in_expression(node.orelse, (*conditions, f"not ({test})"))
        yield from _in_expression(node.test, conditions)
        return
    if isinstance(node, ast.ListComp | ast.GeneratorExp | ast.DictComp | ast.SetComp):
        tests = [ast.unparse(test) for part in node.generators for test in part.ifs]
        conditions = (*conditions, *tests)
    if isinstance(node, ast.JoinedStr):
        text = "".join(_as_said(part) for part in node.values)
        if _is_sentence(text):
            yield text, conditions
        for part in node.values:
            if isinstance(part, ast.FormattedValue):
                yield from _in_expression(part.value, conditions)
        return
    if isinstance(node, ast.Constant):
        if isinstance(node.value, str) and _is_sentence(node.value):
            yield node.value, conditions
        return
    for child in ast.iter_child_nodes(node):
        yield from _in_expression(child, conditions)


def _as_said(part):
    if isinstance(part, ast.Constant):
        return part.value
    inside = part.value
    name = ast.unparse(inside)
    return "{" + (name if len(name) <= 40 else "...") + "}"


def _is_sentence(text):
    words = re.sub(r"\{[^}]*\}", "x", text).split()
    letters = re.search(r"[a-z]{3}", re.sub(r"\{[^}]*\}", "", text))
    return len(words) >= FEWEST_WORDS and bool(letters) and "\\" not in text


def _without_docstring(body):
    first = body[0]
    said = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
    return body[1:] if said else body


def _in_template(text):
    """Texts between the marks of a template, with the conditions around them."""
    stack, said = [], ""

    def finished():
        words = " ".join(said.split())
        return [(words, tuple(stack))] if _is_sentence(words) else []

    at = 0
    for piece in PIECES.finditer(text):
        said += text[at : piece.start()]
        at = piece.end()
        if piece[0].startswith("{{"):
            said += "{" + piece[0][2:-2].strip()[:40] + "}"
            continue
        if INLINE.match(piece[0]):
            continue
        yield from finished()
        said = ""
        word, _, rest = (piece[1] or "").partition(" ")
        if word == "if":
            stack.append(rest)
        elif word == "elif" or word == "else":
            before = stack.pop()
            stack.append(f"not ({before})" + (f" and {rest}" if rest else ""))
        elif word == "for":
            stack.append(f"for each {rest.replace(' in ', ' of ', 1)}")
        elif word in ("endif", "endfor"):
            stack.pop()
    said += text[at:]
    yield from finished()


def _cell(text):
    return " ".join(text.split()).replace("|", "\\|")


if __name__ == "__main__":
    print(sentences_page())
