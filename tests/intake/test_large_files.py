"""Memory for a large file, counted by Python itself; the clock is looked at in the benchmarks only."""

import tracemalloc

from trialkit.intake import check_trial


def test_a_large_file_takes_less_than_twenty_times_its_size(write):
    lines = ["bin,treatment,block,day,core_temp_c,ambient_temp_c,volume_l,note"]
    lines += [
        f"B{b},{'x' if b % 2 else 'y'},{b // 2},{day},{20 + (b * day) % 97 / 10},14.2,{200 - day + b % 10 / 10},"
        for day in range(100)
        for b in range(200)
    ]
    place = write({"big.csv": "\n".join(lines)}) / "big.csv"
    check_trial(write({}, "empty"))
    tracemalloc.start()
    checked = check_trial(place)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert checked.trial is not None and checked.trial.rows_used == 20_000
    assert peak < 20 * place.stat().st_size
