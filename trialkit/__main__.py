"""``python -m trialkit`` is the ``trialkit`` command."""

from trialkit.cli.main import run

if __name__ == "__main__":
    run()
