"""Reads C3D files of strokes with ezc3d and compares them with the tracks that they were made from.

    read_c3d.py MIDLINE_FOLDER_OF_THE_SESSION FOLDER_OF_THE_C3D_FILES
"""

import json
import pathlib
import sys

import ezc3d
import numpy as np
import polars

computed, folder = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
tracks = polars.read_parquet(computed / "tracks.parquet").filter(polars.col("name").is_not_null())
strokes = json.loads((computed / "strokes.json").read_text())["result"]["strokes"]
files = sorted(folder.glob("*.c3d"))
assert files
for file in files:
    c3d = ezc3d.c3d(str(file))
    parameters = c3d["parameters"]
    number = int(parameters["STROKE"]["NUMBER"]["value"][0])
    stroke = next(s for s in strokes if s["number"] == number)
    assert parameters["POINT"]["UNITS"]["value"] == ["mm"], parameters["POINT"]["UNITS"]
    assert c3d["header"]["analogs"]["size"] == 0
    rate = c3d["header"]["points"]["frame_rate"]
    labels = parameters["POINT"]["LABELS"]["value"]
    assert "racket_tip" in labels and len(labels) == parameters["POINT"]["USED"]["value"][0]
    contact = next(e["session_seconds"] for e in stroke["events"] if e["kind"] == "contact")
    inside = tracks.filter((polars.col("session_seconds") >= contact - 1.5) & (polars.col("session_seconds") <= contact + 0.5))
    all_times = polars.read_parquet(computed / "tracks.parquet")["session_seconds"].unique().sort().to_numpy()
    start = all_times[all_times >= contact - 1.5][0]
    # Events: as many as lie in the file, in seconds from its first frame.
    times = parameters["EVENT"]["TIMES"]["value"]
    names = parameters["EVENT"]["LABELS"]["value"]
    at = {n: 60 * m + s for n, m, s in zip(names, times[0], times[1])}
    assert abs(at["contact"] - (contact - start)) < 1e-4, (at, contact - start)
    points, residuals = c3d["data"]["points"], c3d["data"]["meta_points"]["residuals"][0]
    frames = points.shape[2]
    grid = start + np.arange(frames) / rate
    worst, compared = 0.0, 0
    for column, label in enumerate(labels):
        own = inside.filter(polars.col("name") == label)
        times = own["session_seconds"].to_numpy()
        for frame, moment in enumerate(grid):
            if residuals[column, frame] < 0:
                continue
            assert residuals[column, frame] == 0
            near = np.argmin(np.abs(times - moment))
            if abs(times[near] - moment) < 2e-6:
                truth = 1000 * np.array([own["x_m"][int(near)], own["y_m"][int(near)], own["z_m"][int(near)]])
                worst = max(worst, float(np.abs(points[:3, column, frame] - truth).max()))
                compared += 1
    assert compared > 0 and worst < 0.5, (compared, worst)
    print(f"{file.name}: {frames} frames at {rate:.1f} Hz, {compared} points equal within {worst:.2g} mm")
