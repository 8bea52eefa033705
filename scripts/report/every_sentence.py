"""Every sentence that the report can say, with the conditions under which it is said.

python3.11 scripts/launch.py sentences > sentences.md
python3.11 scripts/launch.py sentences results/data_demo results/one_person

With results, the studies stand beside each sentence whose report says it: a sentence of none of
them needs a test of its own, one of all of them a study of which it is not true.

Read from the code of scripts/report/ and from its templates: a text of several words, what stands
around it (`if`, `for`, an early `return`), and the place. Braces hold what a study fills in.
"""

import ast
import html
import re
import sys
from pathlib import Path

from engine.code import SCRIPTS, syntax_tree

TEMPLATES = SCRIPTS.parent / "workflow" / "templates" / "report"

# a text of fewer words is a label
FEWEST_WORDS = 4

# pieces of a template: markup, statements and texts
PIECES = re.compile(r"\{%-?\s*(.*?)\s*-?%\}|\{\{.*?\}\}|<(?:[^>{]|\{\{.*?\}\})*>", re.S)

# what a study fills in, which may hold braces of its own, and the longest of it, in characters
BRACES = re.compile(r"\{[^{}]*(?:\{[^{}]*\}[^{}]*)*\}")
LONGEST_FILL = 400

# elements that do not end a sentence
INLINE = re.compile(r"</?(?:a|code|strong|span|small)\b")


def sentences_page(results=()):
    """The list as Markdown, one table for each file; with results, which of them say it."""
    told = {Path(folder).name: text_of(Path(folder)) for folder in results}
    saying = "said by |" if told else ""
    lines = [
        "# Every sentence of the report",
        "",
        "From the report's own code and templates. Braces hold what a study fills in; conditions "
        "stand as in the code, and a sentence is said where all of them hold. A text that is a "
        "part of a sentence ends without a full stop.",
        "",
    ]
    for module, sentences in every_sentence():
        lines += [f"## {module}", "", f"| sentence | said where |{saying}"]
        lines.append("|---|---|---|" if told else "|---|---|")
        for text, conditions in sentences:
            says = [name for name, whole in told.items() if is_said(text, whole)]
            last = f" {', '.join(says) or 'none'} |" if told else ""
            lines.append(f"| {_cell(text)} | {_cell('; '.join(conditions)) or 'always'} |{last}")
        lines.append("")
    return "\n".join(lines)


def text_of(folder):
    """What the report, the methods text and the checklists of a study say, as plain text."""
    page = (folder / "report.html").read_text(encoding="utf-8")
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.S)
    other_tables = [
        (folder / name).read_text(encoding="utf-8") for name in ("methods.md", "checklists.md")
    ]
    return plain(" ".join([page, *other_tables]))


def is_said(sentence, text):
    """Whether a text holds a sentence, whatever a study filled into its braces."""
    parts = [plain(part) for part in BRACES.split(sentence)]
    fixed = [re.escape(part) for part in parts if len(part) > 2]
    return bool(re.search(f".{{0,{LONGEST_FILL}}}?".join(fixed), text))


def plain(text):
    """Text without tags, with one space between words and none before a mark."""
    text = html.unescape(re.sub(r"<[^>]+>", " ", text))
    return re.sub(r" ([.,;:)])", r"\1", " ".join(text.split()))


def every_sentence():
    """(place, [(text, conditions)]) of every file of the report that says anything."""
    folders = (SCRIPTS / "report", SCRIPTS / "report" / "sections")
    modules = sorted(path for folder in folders for path in folder.glob("*.py"))
    for path in modules:
        if path.stem in ("every_sentence", "__init__", "page", "drawn"):
            continue
        sentences = list(dict.fromkeys(_in_block(syntax_tree(path).body, ())))
        if sentences:
            yield path.relative_to(SCRIPTS.parent).as_posix(), sentences
    for path in sorted(TEMPLATES.glob("[!_]*.jinja")):
        sentences = list(dict.fromkeys(_in_template(path.read_text(encoding="utf-8"))))
        if sentences:
            yield path.relative_to(SCRIPTS.parent).as_posix(), sentences


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
    print(sentences_page(sys.argv[1:]))
