"""Outputs of a job take their places when all of them are whole, and not before.

Each is made in a hidden folder beside its place, under its own name, and renamed at the end. A job
that fails or is killed leaves whatever stood in these places as it was.
"""

import shutil
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def whole_or_not(outputs):
    """Gives the path under which each output is to be made; renames them all when the block ends.

    outputs : places of the files and folders that a job makes
    """
    folders = {Path(output): _hidden(Path(output)) for output in outputs}
    try:
        for folder in folders.values():
            # of a job that was killed
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir(parents=True)
        made = {output: folder / output.name for output, folder in folders.items()}
        yield made
        for output, path in made.items():
            if path.exists():
                _put(path, output)
    finally:
        for folder in folders.values():
            shutil.rmtree(folder, ignore_errors=True)


def _hidden(output):
    return output.with_name(f".{output.name}.unfinished")


def _put(path, output):
    if output.is_dir():
        # a folder cannot replace another in one move
        output.rename(path.with_name("earlier"))
        try:
            path.rename(output)
        except OSError:
            with suppress(OSError):
                path.with_name("earlier").rename(output)
            raise
    else:
        path.replace(output)
