"""Write docs/notebook.md: code cells that are really run on the demo, with what they gave.

Run from the root of a checkout with the ``dev`` extra installed:

    python tools/make_notebook_example.py
"""

from __future__ import annotations

import ast
import os
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from trialkit.app.demo import run_demo

OUT = Path(__file__).resolve().parents[1] / "docs" / "notebook.md"
# Pairs of a text and the code under it.
CELLS = (
    (
        "# trialkit in a notebook\n\n"
        "Every output below is what the code above it gave, on the invented trial of `trialkit "
        "demo demo-trial`; `python tools/make_notebook_example.py` writes this page anew. In a "
        "notebook a result shows itself as a small table in the words of the report.",
        "import trialkit\n\ntrial = trialkit.load('demo-trial')\ntrial",
    ),
    (
        "The plan is the one in the journal, as it was frozen.",
        "[(o.name, o.unit, o.role.value) for o in trial.plan.outcomes]",
    ),
    (
        "Opening the data is recorded in the journal, here as on the command line. An unfinished "
        "trial stays closed, unless a look was declared or `load(..., interim=True)` asks for one.",
        "results = trial.estimate()\nresults.primary",
    ),
    (
        "A secondary outcome carries no verdict; its p value is adjusted for their number.",
        "round(results['oxygen_low'].contrast.p_adjusted, 3)",
    ),
    (
        "Figures are on the scale of the analysis; the primary outcome was analysed as logs.",
        "from math import expm1\n\ncontrast = results.primary.contrast\n"
        "round(100 * expm1(contrast.estimate), 1), round(contrast.df, 1), results.primary.verdict",
    ),
    (
        "One row per period and outcome, as measured:",
        "table = trial.table()\n"
        "trial_rows = table[(table.kind == 'trial') & (table.outcome == 'mean_power')]\n"
        "trial_rows[['period', 'block', 'condition', 'value', 'unit']].head(6)",
    ),
    (
        "The same analysis on any data frame of one's own:",
        "columns = trialkit.TableColumns('value', 'condition', 'block')\n"
        "question = trialkit.TableQuestion(reference='short', scale='log', worthwhile=1.0)\n"
        "trialkit.estimate(trial_rows, columns, question).verdict",
    ),
    (
        "The whole page as text, to be saved or shown:",
        "page = trial.page_html()\npage[:15], 'helped this athlete' in page",
    ),
)


def main() -> int:
    OUT.parent.mkdir(exist_ok=True)
    OUT.write_text(notebook(), encoding="utf-8")
    print(OUT)
    return 0


def notebook() -> str:
    """Run the cells on a new demo and give the page."""
    before = Path.cwd()
    with TemporaryDirectory() as folder:
        run_demo(Path(folder) / "demo-trial", force=False, tell=lambda _: None)
        os.chdir(folder)
        try:
            return "\n\n".join(cells({})) + "\n"
        finally:
            os.chdir(before)


def cells(names: dict[str, object]) -> list[str]:
    """Give every text, its code, and what the code's last line gave."""
    shown = []
    for text, code in CELLS:
        tree = ast.parse(code)
        last = tree.body.pop()
        if not isinstance(last, ast.Expr):
            raise TypeError(f"a cell ends without a value: {code}")
        exec(compile(tree, "cell", "exec"), names)
        value = eval(compile(ast.Expression(last.value), "cell", "eval"), names)
        shown.append(f"{text}\n\n```python\n{code}\n```\n\n```text\n{value!r}\n```")
    return shown


if __name__ == "__main__":
    sys.exit(main())
