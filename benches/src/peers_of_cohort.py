"""Times the grouped mean curves of a cohort store with DuckDB and Polars: STORE QUERY THREADS. Prints "name seconds processor-seconds" (medians of three)."""

import os
import statistics
import sys
import time

store, query, threads = sys.argv[1], sys.argv[2], sys.argv[3]
os.environ["POLARS_MAX_THREADS"] = threads
import duckdb
import polars


def timed(work):
    times, processor = [], []
    for _ in range(3):
        start = time.perf_counter(), time.process_time()
        rows = work()
        times.append(time.perf_counter() - start[0])
        processor.append(time.process_time() - start[1])
    assert rows == 2 * 40 * 101, rows
    return statistics.median(times), statistics.median(processor)


def by_duckdb():
    engine = duckdb.connect(config={"threads": int(threads)})
    engine.execute(f"CREATE VIEW curves AS SELECT * FROM read_parquet('{store}/curves/**/*.parquet')")
    return len(engine.execute(query).fetchall())


def by_polars():
    frame = polars.scan_parquet(f"{store}/curves/**/*.parquet", hive_partitioning=False)
    keys = ["level", "channel", "instant"]
    answer = (
        frame.filter(polars.col("clock") == "normalised")
        .group_by(keys)
        .agg(polars.col("value").count().alias("n"), polars.col("value").mean().alias("mean"))
        .sort(keys)
        .collect()
    )
    return answer.height


print("DuckDB", *timed(by_duckdb))
print("Polars", *timed(by_polars))
