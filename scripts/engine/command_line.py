"""What a command of launch.py takes."""

import argparse


def parser_of(command, about):
    """A parser whose help says what the module of the command says of itself."""
    return argparse.ArgumentParser(
        prog=f"launch.py {command}",
        description=about,
        allow_abbrev=False,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
