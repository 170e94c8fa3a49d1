"""Times what a database needs for two rolling statistics on the file of the replay benchmark, on one thread.

    cargo bench -p roundsman --bench replay -- --file /tmp/plant.parquet
    python3 tests/compare_duckdb.py /tmp/plant.parquet

Needs duckdb from PyPI. It is a yardstick, not a rival: a replay does far more per reading, and gives alerts.
"""

import sys
import time

try:
    import duckdb
except ImportError:
    sys.exit("duckdb is not installed: pip install duckdb")

if len(sys.argv) != 2:
    sys.exit(__doc__)
path = sys.argv[1].replace("'", "''")
con = duckdb.connect()
con.execute("set threads to 1")
rows = con.execute(f"select count(*) from '{path}'").fetchone()[0]
began, processor = time.perf_counter(), time.process_time()
# The aggregate round it makes the database compute every row without handing them to Python.
answer = con.execute(
    f"""
    select count(*), sum(mean), sum(deviation) from (
        select avg(value) over w as mean, stddev(value) over w as deviation
        from '{path}'
        window w as (partition by asset, point order by time rows 288 preceding)
    )
    """
).fetchone()
seconds, processor = time.perf_counter() - began, time.process_time() - processor
assert answer[0] == rows
print(
    f"DuckDB {duckdb.__version__}, one thread: {rows} rows in {seconds:.2f} s, {rows / seconds / 1e6:.2f} M rows/s; "
    f"processor {processor:.2f} s, {rows / processor / 1e6:.2f} M rows/s"
)
