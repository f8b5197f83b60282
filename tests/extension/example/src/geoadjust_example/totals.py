"""A writer: how many structures have which method, and the ordinates of all of them."""

import json


def write(schedule, folder):
    """Called with a schedule that is made and an empty folder inside the output set."""
    counts = schedule.structures.groupby("method").size().to_dict()
    (folder / "totals.json").write_text(json.dumps({"units": schedule.units, **counts}), encoding="utf-8")
    schedule.table("ordinates").to_csv(folder / "ordinates.csv", index=False)


def fail(schedule, folder):
    """Fails half-way."""
    (folder / "half.txt").write_text("half", encoding="utf-8")
    raise RuntimeError("no more ink")
