"""`python -m dossier` is the command `dossier`."""

from dossier.cli import command

if __name__ == "__main__":
    command()
