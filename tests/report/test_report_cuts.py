"""Pictures of how recordings were cut: what is shaded, what is marked, how much is kept."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure

from trialkit.domain.recordings import Segment
from trialkit.report.content import CutChannel, CutRecording, QualityRow
from trialkit.report.figures.cuts import cuts_height, draw_cuts
from trialkit.report.page import render_page
from trialkit.report.svg import new_figure
from trialkit.report.words.findings import of_cuts

SEGMENTS = (
    Segment("effort", 100.0, 300.0),
    Segment("effort round 1", 100.0, 180.0),
    Segment("effort rest 1", 180.0, 220.0),
    Segment("effort round 2", 220.0, 300.0),
)


def recording(period, *removed, segments=SEGMENTS):
    """A recording of 400 s at 200 W from which samples at these seconds were taken out."""
    time_s = np.arange(0.0, 400.0, 2.0)
    value = np.where((time_s >= 100) & (time_s < 300), 250.0, 100.0)
    value[[int(s // 2) for s in removed]] = np.nan
    gone = np.array(removed, dtype=float)
    return CutRecording(period, time_s, value, segments, gone, np.full(gone.size, 9999.0))


def channel(*recordings, of=None):
    count = len(recordings) if of is None else of
    return CutChannel("power", "W", recordings, count, ("effort",))


@pytest.fixture
def figure():
    return new_figure(4.0)


def labelled(ax, name):
    return [a for a in (*ax.lines, *ax.patches) if a.get_label() == name]


def test_segments_are_shaded_rests_hatched_and_rounds_edged(figure):
    draw_cuts(figure, channel(recording(1)))
    (ax,) = figure.axes
    (effort,) = labelled(ax, "effort")
    assert effort.get_x() == pytest.approx(100 / 60)
    assert effort.get_x() + effort.get_width() == pytest.approx(300 / 60)
    assert labelled(ax, "effort rest 1")[0].get_hatch()
    assert labelled(ax, "_effort round 2")[0].get_xdata()[0] == pytest.approx(220 / 60)
    names = [t.get_text() for t in figure.legends[0].get_texts()]
    assert names == ["effort", "edges of rounds", "rest"]


def test_a_segment_that_is_not_measured_is_told_apart(figure):
    shown = channel(recording(1, segments=(Segment("before", 0.0, 100.0), *SEGMENTS)))
    draw_cuts(figure, shown)
    (ax,) = figure.axes
    assert labelled(ax, "before") == []
    assert labelled(ax, "_before ends")[0].get_linestyle() == "--"
    assert labelled(ax, "_effort ends")[0].get_linestyle() == "-"
    names = [t.get_text() for t in figure.legends[0].get_texts()]
    assert names[:2] == ["effort", "before"]
    assert of_cuts(shown).endswith("measured in: effort; also cut: before.")


def test_a_removed_sample_is_marked_where_it_was_and_does_not_flatten_the_curve(figure):
    draw_cuts(figure, channel(recording(1, 150.0), recording(2)))
    first, second = figure.axes
    (crosses,) = labelled(first, "removed")
    assert list(crosses.get_xdata()) == pytest.approx([150 / 60])
    assert first.get_title(loc="left") == "period 1, 1 removed"
    assert second.get_title(loc="left") == "period 2"
    assert first.get_ylim()[1] < 300
    assert first.get_ylim()[0] < crosses.get_ydata()[0] < first.get_ylim()[1]
    assert "removed sample" in [t.get_text() for t in figure.legends[0].get_texts()]


@pytest.mark.parametrize("count", [1, 2, 3, 5, 16])
def test_any_number_of_panels_can_be_laid_out(count, tmp_path):
    shown = channel(*(recording(i, 20.0) for i in range(1, count + 1)))
    made = draw_cuts(new_figure(cuts_height(shown)), shown)
    assert isinstance(made, Figure)
    # A layout that collapses warns, and warnings are errors here.
    made.savefig(tmp_path / "cuts.png")
    assert len(made.axes) == count


def test_the_finding_counts_what_was_removed():
    shown = channel(recording(1, 20.0, 22.0), recording(2), of=40)
    assert (
        of_cuts(shown)
        == "Power of 2 of 40 recordings: 2 samples removed in 1 of them; measured in: effort."
    )
    bare = channel(recording(1, segments=()))
    assert of_cuts(bare) == "Power of 1 recording: no sample was removed."


def test_the_page_folds_the_cuts_into_the_quality_section(content):
    told = replace(content, cuts=(channel(recording(1)),), quality=(QualityRow("a", "fine"),))
    page = render_page(told)
    assert page.index('id="quality"') < page.index("How each recording was cut")
    assert "Power of 1 recording: no sample was removed" in page
    assert "How each recording was cut" not in render_page(content)
