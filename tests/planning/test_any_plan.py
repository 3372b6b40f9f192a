"""Whatever the words and numbers: a plan is refused in a sentence, or its folder passes the gate as it was planned."""

import tempfile
from datetime import date
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as some

from trialkit.errors import DesignError
from trialkit.intake import check_trial
from trialkit.planning.layout_request import LayoutRequest
from trialkit.planning.plan import plan_trial
from trialkit.planning.request import PlanRequest
from trialkit.planning.starters import role_by_name
from trialkit.planning.writing import write_plan
from trialkit.records import Treatment
from trialkit.simulate import simulate_trial

AWKWARD = [
    "water only",
    "None",
    "NA",
    "1e5",
    "TRUE",
    "a,b",
    "a;b",
    'say "x"',
    "é ü 北京",
    "0",
    "a | b",
    "x: y",
    "a = b",
]
REFUSED = ["x\ty", " x", "=1+1", "", "-5", "two\nlines", "@x"]
LETTERS = some.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"])
NAMES = some.one_of(some.sampled_from(AWKWARD), some.text(LETTERS, min_size=1, max_size=12))


@some.composite
def requests(draw):
    names = draw(some.lists(NAMES, min_size=2, max_size=4, unique=True))
    if draw(some.integers(0, 9)) == 0:
        names[-1] = draw(some.sampled_from(REFUSED))
    names = tuple(names)
    kind = draw(some.sampled_from(["completely random", "blocks", "latin square", "split plot"]))
    small = some.integers(1, 4)
    layout = LayoutRequest(
        kind,
        names,
        draw(some.sampled_from(names)),
        bins=draw(small) if kind == "completely random" else None,
        blocks=draw(small) if kind in ("blocks", "split plot") else None,
        control_replication=draw(some.sampled_from(["equal", "equal", "square root", 2])),
        whole_plot_factor="turning" if kind == "split plot" else "",
        whole_plot_levels=("weekly", "never") if kind == "split plot" else (),
        seed=draw(some.integers(0, 50)),
        redraw_rule=draw(some.sampled_from([None, "none"])),
    )
    return PlanRequest(
        tuple(Treatment(name, role_by_name(name)) for name in names),
        layout.control,
        layout,
        date(2026, 9, 20),
        title=draw(some.text(LETTERS, max_size=20)),
        question=draw(some.text(LETTERS, max_size=20)),
        days=tuple(draw(some.sampled_from([(), (0, 7, 14), (3, 9), (0, 28)]))),
        capacity_l=draw(some.sampled_from([None, 20.0, 200.0])),
    )


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(requests())
def test_a_plan_is_refused_in_words_or_passes_the_gate(request):
    try:
        planned = plan_trial(request)
    except DesignError as reason:
        assert str(reason).strip()
        return
    with tempfile.TemporaryDirectory() as place:
        folder = write_plan(planned, Path(place) / "trial", pdf=False).folder
        checked = check_trial(folder)
        assert [finding for finding in checked.findings if finding.severity != "note"] == []
        assert [b.treatment for b in checked.trial.bins] == [b.treatment for b in planned.bins]
        assert checked.trial.plan.title == request.title.strip()
        for name, content in simulate_trial(planned, 1.5, 1).files.items():
            (folder / name).write_bytes(content)
        again = check_trial(folder)
        assert [finding for finding in again.findings if finding.severity == "error"] == []
