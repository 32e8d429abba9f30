"""What `--help` of each command adds to its options: two examples, and what a beat is made of."""

from __future__ import annotations

import argparse

from dossier.cli.output import Commands
from dossier.names import did_you_mean

EXAMPLES = {
    "new": ("new my-beat", "new night.wav --drums ~/drums"),
    "build": ("build night.wav --drums ~/drums", "build my-beat other-beat -o ~/dossiers --watch"),
    "demo": ("demo", "demo -o /tmp/look/site"),
    "measure": ("measure kick.wav snare.wav", "measure *.wav --json > measured.json"),
    "check": ("check my-beat", "check night.wav --drums ~/drums --json"),
    "schema": ("schema > beat.schema.json", "schema data"),
    "decide": ("decide my-beat --by Ada --text 'kick down a little' --status agreed --gain kick=-3.5",
               "decide --response answer.json"),
    "index": ("index", "index ~/dossiers"),
    "learn": ("learn ~/finished", "learn ~/finished ~/finished-2025"),
    "share": ("share my-beat", "share my-beat -o my-beat.zip"),
    "prune": ("prune site", "prune site --keep 2"),
}  # fmt: skip
BEAT = """
A beat is a folder with stems/ (tracks without drums) and drums/, or one
bounced file; sub-folders count, and names of folders may be in any case. A
beat.toml in the folder is optional: it tells what you know better than the
sound does, such as title, tempo, meter, key, first downbeat, sections,
pattern, where a stem starts, folders of drums elsewhere, the role of a file,
whose it is and whether it is cleared. What it does not tell is estimated, and
said to be. `dossier new` writes one to begin with; `dossier schema` explains
every key.
"""


def explain(commands: Commands) -> None:
    """Put examples below each command's options, and let each command speak of its own wrong options."""
    for name, parser in commands.choices.items():
        told = EXAMPLES.get(name, ())
        parser.formatter_class = argparse.RawDescriptionHelpFormatter
        parser.epilog = "\n".join(["examples:", *(f"  dossier {example}" for example in told)]) if told else None
        parser.set_defaults(parser=parser)
    commands.choices["build"].description = BEAT.strip()


def refuse(parser: argparse.ArgumentParser, unknown: list[str]) -> None:
    """End with the usage of the command that was given something it does not know."""
    options = [option for action in parser._actions for option in action.option_strings]
    first = unknown[0].partition("=")[0]
    hint = did_you_mean(first, options) if first.startswith("-") else ""
    parser.error(f"unknown: {' '.join(unknown)}{hint}")
