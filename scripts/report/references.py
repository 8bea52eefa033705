"""The list of references: what a text names gets a number, an entry, and a record for libraries.

A text names its sources by author and year, `Holm (1979)` or `(Bell and McCaffrey 2002)`. Sources
stand in workflow/templates/references.yaml.
"""

import json
import re

from study.yaml_files import YAML

# a source as a sentence names it: authors, then a year with or without brackets
NAMES = r"(?:Task )?[A-Z][\w'’-]+(?:(?:,| and| &) [A-Z][\w'’-]+)*(?: et al\.)?"
CITATION = re.compile(rf"({NAMES}) \(?((?:19|20)\d\d)\b\)?")


def references_in(path):
    """Every source of the file, by the words that name it in a sentence."""
    import yaml

    entries = yaml.load(path.read_text(encoding="utf-8"), YAML)  # noqa: S506 a safe loader
    return {entry["cited"]: entry for entry in entries}


def cited_in(text, references):
    """The sources that a text names, in the order in which it does."""
    numbers = {}
    for cited, reference in references.items():
        match = _pattern(cited).search(text)
        if match:
            numbers[match.start()] = reference
    return [numbers[at] for at in sorted(numbers)]


def numbered(text, cited):
    """A text with the number of each of its sources after it: `Holm (1979) [4]`."""
    for n, reference in enumerate(cited, 1):
        text = _pattern(reference["cited"]).sub(lambda m, n=n: f"{m[0]} [{n}]", text)
    return text


def without_entry(text, references):
    """Sources that a text names and the file does not hold."""
    held = {
        n for cited in references for m in _pattern(cited).finditer(text) for n in range(*m.span())
    }
    return [match[0] for match in CITATION.finditer(text) if match.end() - 2 not in held]


def list_of_references(cited):
    """A numbered list of sources, a line each."""
    return "\n".join(f"{n}. {as_text(reference)}" for n, reference in enumerate(cited, 1))


def as_text(reference):
    """One source: authors, title, where it appeared, its doi; of an article that none is known."""
    authors = [author.replace(",", "").replace(".", "") for author in reference["authors"]]
    if not reference.get("corporate"):
        authors = [_initials_together(author) for author in authors]
    named = ", ".join(authors) + (", et al" if reference.get("and_others") else "")
    title = reference["title"].rstrip("?")
    mark = "?" if reference["title"].endswith("?") else "."
    source = f"{reference.get('journal') or reference['publisher']}. {reference['year']}"
    if "volume" in reference:
        source += f";{reference['volume']}"
    if "pages" in reference:
        source += f":{reference['pages']}"
    if "doi" in reference:
        source += f". doi:{reference['doi']}"
    else:
        source += " [no DOI confirmed]." if "journal" in reference else "."
    return f"{named}. {title}{mark} {source}"


def as_bibtex(cited):
    """Sources as BibTeX, a record each."""
    return "\n".join(_bibtex_of(reference) for reference in cited)


def as_csl(cited):
    """Sources as CSL-JSON, as libraries of references read it."""
    records = [_csl_of(reference) for reference in cited]
    return json.dumps(records, indent=1, ensure_ascii=False) + "\n"


def _pattern(cited):
    names, year = cited.rsplit(" ", 1)
    names = re.escape(names).replace(r"\ and\ ", r"\ (?:and|&)\ ")
    return re.compile(rf"{names} (?:\({year}\)|{year}\b)(?! \[\d)")


def _initials_together(author):
    """`Lipponen J A` as `Lipponen JA`."""
    words = author.split(" ")
    initials = [word for word in words if len(word) == 1 or "-" in word and len(word) <= 3]
    return " ".join([*(word for word in words if word not in initials), "".join(initials)])


def _bibtex_of(reference):
    and_others = ["others"] if reference.get("and_others") else []
    authors = [
        f"{{{name}}}" if reference.get("corporate") else name for name in reference["authors"]
    ]
    fields = {"author": " and ".join([*authors, *and_others]), "title": f"{{{reference['title']}}}"}
    for name in ("journal", "publisher", "year", "volume", "pages", "doi"):
        if name in reference:
            fields[name] = str(reference[name])
    if "pages" in fields:
        fields["pages"] = fields["pages"].replace("-", "--")
    plain = {name: re.sub(r"([&%#])", r"\\\1", text) for name, text in fields.items()}
    plain |= {"doi": reference["doi"]} if "doi" in reference else {}
    lines = ",\n".join(f"  {name} = {{{text}}}" for name, text in plain.items())
    return f"@{'article' if 'journal' in reference else 'book'}{{{reference['key']},\n{lines}\n}}\n"


def _csl_of(reference):
    if reference.get("corporate"):
        authors = [{"literal": name} for name in reference["authors"]]
    else:
        split = [name.split(", ") for name in reference["authors"]]
        authors = [{"family": family, "given": given} for family, given in split]
    if reference.get("and_others"):
        authors.append({"literal": "others"})
    record = {
        "id": reference["key"],
        "type": "article-journal" if "journal" in reference else "book",
        "title": reference["title"],
        "author": authors,
        "issued": {"date-parts": [[reference["year"]]]},
    }
    names = {"journal": "container-title", "volume": "volume", "pages": "page", "doi": "DOI"}
    names |= {"publisher": "publisher"}
    return record | {
        csl: str(reference[field]) for field, csl in names.items() if field in reference
    }
