"""The files of a study folder: its tables, its settings and what was recorded."""

from study.table_forms import files_of_table
from study.tables import TABLES


def table_files(folder):
    """Tables and settings that exist in a study folder."""
    settings = folder / "study.yaml"
    files = [path for name in TABLES for path in files_of_table(folder, name)]
    return [*dict.fromkeys(files), *([settings] if settings.exists() else [])]


def raw_files(folder, recordings):
    """Files that rows of recordings.tsv name, each once, and the descriptions beside them."""
    files = []
    for row in recordings:
        path = folder / row.file_inside
        files += [path, *sidecars(path)]
    return list(dict.fromkeys(files))


def sidecars(path):
    """The description that stands beside a BIDS physiology file, when there is one."""
    if path.name.endswith("_physio.tsv.gz"):
        description = path.with_name(path.name.removesuffix(".tsv.gz") + ".json")
        if description.exists():
            yield description
