"""Makes the Parquet files beside it: the same twelve readings as others write them. Needs pyarrow and duckdb.

Not run by the tests; the files are kept so that they are read as foreign programs wrote them
(pyarrow 26.0.1 and DuckDB 2.0.1). The values are in tests/recording.rs.
"""

import datetime as dt
import pathlib

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

here = pathlib.Path(__file__).parent
start = dt.datetime(2026, 3, 1, 0, 0, 0, 250_000)
rows = [
    (start + dt.timedelta(minutes=5 * i), asset, point, None if (i, asset, point) == (1, "P-2", "vib") else 10.0 * i + k)
    for i in range(3)
    for k, (asset, point) in enumerate([("P-1", "speed"), ("P-1", "vib"), ("P-2", "speed"), ("P-2", "vib")])
]
times, assets, points, values = map(list, zip(*rows))
epoch_us = [round((t - dt.datetime(1970, 1, 1)).total_seconds() * 1e6) for t in times]


def long(name, time, value=None, asset=None, **options):
    table = pa.table({
        "time": time,
        "asset": asset if asset is not None else pa.array(assets).dictionary_encode(),
        "point": pa.array(points).dictionary_encode(),
        "value": value if value is not None else pa.array(values, pa.float64()),
    })
    pq.write_table(table, here / f"{name}.parquet", store_schema=False, **options)


for unit in ["ms", "us", "ns"]:
    long(f"long-{unit}", pa.array(times, pa.timestamp(unit, tz="UTC")))
long("long-local", pa.array(times, pa.timestamp("us")), compression="zstd")
long("long-epoch", pa.array(epoch_us, pa.int64()), compression="gzip", data_page_version="2.0")
long("long-float", pa.array([us / 1e6 for us in epoch_us], pa.float64()), compression="none", use_dictionary=False)
long("long-text", pa.array([t.isoformat(timespec="milliseconds") + "Z" for t in times]))
long("long-int96", pa.array(times, pa.timestamp("ns")), use_deprecated_int96_timestamps=True)
long("long-groups", pa.array(times, pa.timestamp("us", tz="UTC")), pa.array(values, pa.float32()), row_group_size=5)
long(
    "long-ids",
    pa.array(times, pa.timestamp("us", tz="UTC")),
    pa.array([None if v is None else int(v) for v in values], pa.int32()),
    pa.array([int(a[2:]) for a in assets], pa.int64()),
)

wide = {
    f"{a}/{p} [{u}]": [v for v, a_, p_ in zip(values, assets, points) if (a, p) == (a_, p_)]
    for a in ["P-1", "P-2"]
    for p, u in [("speed", "/min"), ("vib", "mm/s")]
}
pq.write_table(
    pa.table({"timestamp": pa.array(times[::4], pa.timestamp("ms")), **wide, "remark": ["a", None, "b"]}),
    here / "wide.parquet",
    store_schema=False,
)

con = duckdb.connect()
con.execute("create table r (time timestamp, asset varchar, point varchar, value double)")
con.executemany("insert into r values (?, ?, ?, ?)", rows)
con.execute(f"copy (select * from r) to '{here / 'duckdb-long.parquet'}' (format parquet, compression zstd)")
con.execute(
    "copy (select time, asset, max(value) filter (point = 'speed') as speed, max(value) filter (point = 'vib') as vib "
    f"from r group by time, asset order by time, asset) to '{here / 'duckdb-half-wide.parquet'}' (format parquet)"
)
