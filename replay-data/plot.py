#!/usr/bin/env python3
"""Draws every machine of a recording: the whole time, and three days of it up close.

    pip install duckdb matplotlib numpy
    replay-data/plot.py replay-data/quillhaven --out /tmp/plots

The start of a planted fault is a red line, the time its noise-free level reaches the alarm limit a dashed one.
"""
import argparse
import datetime
import pathlib
import tomllib

import duckdb
import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt


def instant(text):
    return datetime.datetime.fromisoformat(text).replace(tzinfo=None)


def draw(table, asset, faults, begin, days, path):
    points = asset["points"]
    figure, axes = plt.subplots(len(points), 1, figsize=(15, 1.7 * len(points)), sharex=True)
    for axis, point in zip(axes, points):
        rows = duckdb.execute(
            "select epoch_us(time) / 1e6 as at, value from read_parquet(?) where asset = ? and point = ? "
            "and epoch_us(time) between ? and ? order by time",
            [table, asset["name"], point["name"], int(begin.timestamp() * 1e6),
             int((begin.timestamp() + days * 86400) * 1e6)],
        ).fetchnumpy()
        times = rows["at"].astype("datetime64[s]")
        axis.plot(times, rows["value"], ".", markersize=1.2 if days > 10 else 3, color="#1f4e79")
        axis.set_ylabel(f"{point['name']}\n{point['unit']}", fontsize=8)
        axis.grid(alpha=0.3)
        for fault in faults:
            if point["name"] in fault["points"]:
                axis.axvline(instant(fault["start"]), color="red", linewidth=1)
                if "limit" in fault and fault["point"] == point["name"]:
                    axis.axvline(instant(fault["limit"]["reaches_alarm_at"]), color="red", linestyle="--", linewidth=1)
                    axis.axhline(fault["limit"]["alarm_high"], color="orange", linewidth=1)
        axis.set_xlim(begin, begin + datetime.timedelta(days=days))
    kinds = ", ".join(fault["kind"] for fault in faults) or "healthy"
    axes[0].set_title(f"{asset['name']} ({asset['class']}, {asset['area']}): {kinds} (simulated)", fontsize=10)
    figure.tight_layout()
    figure.savefig(path, dpi=70)
    plt.close(figure)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=pathlib.Path)
    parser.add_argument("--out", type=pathlib.Path, default=pathlib.Path("plots"))
    parser.add_argument("--asset", help="only this one")
    parser.add_argument("--from-day", type=float, default=0.0, help="where the close view begins")
    arguments = parser.parse_args()
    duckdb.execute("set timezone = 'UTC'")
    about = tomllib.loads((arguments.folder / "about.toml").read_text())
    table = str(arguments.folder / "readings.parquet")
    arguments.out.mkdir(parents=True, exist_ok=True)
    start = datetime.datetime.fromisoformat(about["start"])
    for asset in about["assets"]:
        if arguments.asset not in (None, asset["name"]):
            continue
        faults = [fault for fault in about.get("faults", []) if fault["asset"] == asset["name"]]
        name = asset["name"]
        draw(table, asset, faults, start, about["days"], arguments.out / f"{name}-all.png")
        close = start + datetime.timedelta(days=arguments.from_day)
        draw(table, asset, faults, close, 3, arguments.out / f"{name}-close.png")
        print(name)


if __name__ == "__main__":
    main()
