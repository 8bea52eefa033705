"""What the profile of a cluster must say of the rules."""

import re

import yaml

from project import PROJECT


def test_on_a_cluster_every_step_travels_in_a_group():
    rule_files = sorted((PROJECT / "workflow" / "rules").glob("*.smk"))
    rules = {
        name for file in rule_files for name in re.findall(r"^rule (\w+):", file.read_text(), re.M)
    }
    profile = PROJECT / "workflow" / "profiles" / "slurm" / "config.yaml"
    grouped = [entry.partition("=")[0] for entry in yaml.safe_load(profile.read_text())["groups"]]
    assert sorted(grouped) == sorted(rules)
