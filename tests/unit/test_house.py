"""What must hold between rules, scripts, settings, outcomes, figures and pages."""

import ast
import re
import sys
from functools import cache

import pytest

from engine import steps
from engine.listings import figure_modules, header, names_in, outcome_modules
from engine.rules import command
from project import PARTS, PROJECT
from report.page import sections
from results.columns import TABLES as RESULT_TABLES
from study.reference_pages import results_page, settings_page
from study.settings import setting_sections

SCRIPTS = PROJECT / "scripts"
OUTCOMES = sorted((SCRIPTS / "outcomes").glob("[!_]*.py"))
FIGURES = sorted((SCRIPTS / "figures").glob("[!_]*.py"))
STEPS = sorted(set(SCRIPTS.glob("*.py")) - {SCRIPTS / "launch.py"})


def test_the_page_of_settings_is_in_step_with_the_declarations():
    page = (PROJECT / "config" / "SETTINGS.md").read_text(encoding="utf-8")
    assert page == settings_page(), "run: python3.11 scripts/launch.py pages"


def test_the_page_of_result_columns_is_in_step_with_the_declarations():
    page = (PROJECT / "results" / "README.md").read_text(encoding="utf-8")
    assert page == results_page(), "run: python3.11 scripts/launch.py pages"


@pytest.mark.parametrize("section", setting_sections().values(), ids=setting_sections())
def test_every_setting_is_described_with_its_source(section):
    for name, field in section.model_fields.items():
        assert field.description.endswith("."), name
        assert field.json_schema_extra["source"], name


@pytest.mark.parametrize("path", OUTCOMES, ids=lambda path: path.stem)
def test_every_outcome_says_what_it_is(path):
    module = outcome_modules()[path.stem]
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    assert module.LABEL
    assert module.SCALE in {"identity", "ratio", "ordinal", "yes or no"}
    assert callable(module.measure)


@pytest.mark.parametrize("path", FIGURES, ids=lambda path: path.stem)
def test_every_figure_says_what_it_shows_and_needs(path):
    module = figure_modules()[path.stem]
    assert module.__doc__
    assert len(module.ALT) > 30
    assert header("figures", path.stem)["NEEDS"] == module.NEEDS


@pytest.mark.parametrize("name", names_in("report/sections"))
def test_every_section_of_the_report_names_the_tables_that_it_reads_and_no_other(name):
    path = SCRIPTS / "report" / "sections" / f"{name}.py"
    text = path.read_text(encoding="utf-8")
    read = set(re.findall(r"results\.(\w+)\b", text)) & set(RESULT_TABLES)
    read |= set(re.findall(r'results\.path\("(\w+)\.tsv"\)', text))
    assert read == set(header("report/sections", name)["NEEDS"])
    assert (PROJECT / "workflow" / "templates" / "report" / f"{name}.html.jinja").exists()


def test_sections_of_the_report_have_an_order_and_titles_of_their_own():
    modules = [module for _, module in sections()]
    for said in ([m.ORDER for m in modules], [m.TITLE for m in modules]):
        assert len(set(said)) == len(said)


def test_every_outcome_of_the_contract_with_users_exists():
    promised = """
        mean_hr_bpm peak_hr_bpm mean_nn_ms sdnn_ms rmssd_ms pnn50_pct sd1_ms sd2_ms dfa_alpha1
        hr_above_intrinsic_bpm hrr_30_bpm hrr_60_bpm lf_power_ms2 hf_power_ms2 total_power_ms2
        hf_nu_pct lf_hf_ratio hf_modulation respiration_rate_hz smo2_baseline_pct smo2_nadir_pct
        smo2_drop_pct smo2_end_pct desaturation_slope_pct_per_s time_in_failure_band_s
        area_below_baseline_pct_s reoxygenation_half_time_s reoxygenation_tau_s overshoot_pct
        contraction_count contraction_rate_hz contraction_amplitude_pct reps_done to_failure rpe
        pain
    """
    assert set(promised.split()) <= set(outcome_modules())


def test_a_rule_calls_its_step_by_the_names_of_its_function():
    text = command("find_beats")
    assert text.startswith("python -m engine.steps find_beats --signals {input.signals:q}")
    assert "--settings {params.settings:q}" in text
    assert text.endswith("> {log:q} 2>&1")


def test_what_several_steps_of_a_rule_take_is_said_once_and_reaches_each(monkeypatch):
    text = command("compare_conditions", "check_safety", "relate_outcomes")
    first, second, third = text.partition(" > ")[0].split(" --then ")
    assert "--study" in first
    assert "--study" not in second + third
    assert "--settings {params.check_safety:q}" in second
    assert "--safety {output.safety:q}" in second
    assert "--outcomes" not in third and "--safety" not in third
    assert "--about" in third
    calls = []
    monkeypatch.setattr(steps, "run_with_words", calls.extend)
    words = "check_safety --study s --safety a.tsv --settings {} --then relate_outcomes --about b"
    steps.run_words(words.split())
    (_, of_first), (step, of_second) = calls
    assert of_first == ["--study", "s", "--safety", "a.tsv", "--settings", "{}"]
    assert step.__name__ == "relate_outcomes"
    assert of_second == ["--safety", "a.tsv", "--study", "s", "--about", "b"]


def test_the_container_gets_everything_that_a_run_needs_and_an_unprivileged_user():
    recipe = (PROJECT / ".ci" / "Containerfile").read_text()
    copied = re.findall(r"^COPY --chown=researcher (.+) \S+$", recipe, flags=re.M)
    assert {*PARTS, "data_demo", "tests"} <= set(" ".join(copied).split())
    assert recipe.index("USER researcher") < recipe.index("COPY")


def test_the_lock_names_no_address_of_a_registry():
    assert "://" not in (PROJECT / "requirements.lock").read_text(encoding="utf-8")


@pytest.mark.parametrize("path", STEPS, ids=lambda path: path.stem)
def test_a_script_at_the_top_is_one_step_with_a_rule_of_its_name(path):
    functions = [
        node
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef)
    ]
    assert [node.name for node in functions] == [path.stem]
    rules = "".join(p.read_text(encoding="utf-8") for p in (PROJECT / "workflow").rglob("*.smk"))
    assert f'"{path.stem}"' in rules


@pytest.mark.parametrize("path", STEPS, ids=lambda path: path.stem)
def test_no_step_imports_another(path):
    others = {step.stem for step in STEPS} - {path.stem}
    assert not others & imported_by(path)


def test_no_folder_of_ours_hides_a_standard_module():
    folders = {path.parent.name for path in SCRIPTS.glob("*/*.py")}
    assert not folders & sys.stdlib_module_names


@pytest.mark.parametrize("subject", ["heart", "muscle", "recordings", "cuff"])
def test_what_is_measured_knows_nothing_of_how_it_is_shown(subject):
    for path in (SCRIPTS / subject).rglob("*.py"):
        assert not {"report", "figures", "comparison"} & {
            name.partition(".")[0] for name in imported_by(path)
        }, path


def test_results_are_read_and_written_without_knowing_how_they_are_shown():
    for path in (SCRIPTS / "results").rglob("*.py"):
        assert not {"report", "figures"} & {name.partition(".")[0] for name in imported_by(path)}, (
            path
        )


# a name of these says nothing of what it holds; a field of a class may be called value
EMPTY_NAMES = {
    *("data", "found", "handle", "helper", "it", "item", "items", "left", "manager", "one"),
    *("other", "others", "own", "place", "places", "process", "result", "rows", "thing", "things"),
    *("tmp", "util", "utils", "value", "values"),
}


def test_a_name_says_what_it_holds():
    empty = {
        f"{path.relative_to(SCRIPTS)}: {name}"
        for path in SCRIPTS.rglob("*.py")
        for name in names_given_in(path)
        if name.strip("_") in EMPTY_NAMES
    }
    assert not empty


def names_given_in(path):
    """Names of classes, functions, arguments and variables of a file; not those of fields."""
    nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    fields = {
        id(field.target)
        for node in nodes
        if isinstance(node, ast.ClassDef)
        for field in node.body
        if isinstance(field, ast.AnnAssign)
    }
    for node in nodes:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.arg):
            yield node.arg
        elif (
            isinstance(node, ast.Name)
            and isinstance(node.ctx, ast.Store)
            and id(node) not in fields
        ):
            yield node.id


@cache
def imported_by(path):
    """Names of all modules that a file imports, wherever in it."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return names


def test_every_fault_of_the_benchmark_of_mutants_can_be_put_into_the_code():
    from benchmarks.mutants import apart, listed

    stale = apart(listed())[1]
    assert not stale, f"follow the code in scripts/benchmarks/mutants.tsv: {stale}"
