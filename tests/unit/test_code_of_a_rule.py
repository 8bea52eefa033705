"""The digest of a rule's code changes with what the code does, and with nothing else."""

import pytest

from engine import code

BEFORE = '"""A module."""\n\n\ndef doubled(x):\n    """Twice."""\n    return 2 * x\n'


@pytest.fixture
def scripts(tmp_path, monkeypatch):
    monkeypatch.setattr(code, "SCRIPTS", tmp_path)
    monkeypatch.chdir(tmp_path)
    (tmp_path / ".snakemake").mkdir()
    (tmp_path / "step.py").write_text("from subject.formula import doubled\n")
    (tmp_path / "subject").mkdir()
    (tmp_path / "subject" / "formula.py").write_text(BEFORE)
    yield tmp_path
    forget()


def forget():
    kept_behind = (code.fingerprint, code.digests_behind, code._digest_and_imports, code._files_of)
    for kept in (*kept_behind, code._known_digests, code.syntax_tree):
        kept.cache_clear()


def digest_with(scripts, text):
    (scripts / "subject" / "formula.py").write_text(text)
    forget()
    return code.fingerprint("step")


@pytest.mark.parametrize(
    ("old", "new", "same"),
    [
        ("    return", "    # a remark\n    return", True),
        ('    """Twice."""\n', "", True),
        ('"""Twice."""', '"""Two times."""', True),
        ("2 * x", "3 * x", False),
        ("def doubled(x)", "def doubled(x, y=1)", False),
    ],
)
def test_an_imported_formula_counts_and_what_is_said_about_it_does_not(scripts, old, new, same):
    assert (digest_with(scripts, BEFORE) == digest_with(scripts, BEFORE.replace(old, new))) == same


def test_what_an_earlier_start_remembered_does_not_hide_an_edit(scripts):
    before = digest_with(scripts, BEFORE)
    code._remember(code._known_digests())
    assert code.REMEMBERED.exists()
    assert digest_with(scripts, BEFORE.replace("2 * x", "20 * x")) != before
    assert digest_with(scripts, BEFORE) == before
