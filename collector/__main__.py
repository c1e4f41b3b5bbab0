"""``python -m collector`` is the ``weirkeeper`` command."""

from collector.cli.main import run_from_shell

if __name__ == "__main__":
    run_from_shell()
