"""The methods text."""

import re

ORDER = 70

TITLE = "Methods"

NEEDS = ()


def section(results):
    return {"methods": list(paragraphs(results.path("methods.md").read_text(encoding="utf-8")))}


def paragraphs(markdown):
    """Paragraphs of the methods text, with their bold first words apart; a list as its lines."""
    for block in markdown.split("\n\n"):
        block = block.strip()
        if re.match(r"1\. ", block):
            lines = [line.partition(". ")[2] for line in block.splitlines()]
            yield {"head": "References.", "text": "", "lines": lines}
        elif block and not block.startswith("#"):
            head = re.match(r"\*\*(.+?)\*\*\s*", block)
            text = block[head.end() :] if head else block
            yield {"head": head[1] if head else "", "text": text, "lines": []}
