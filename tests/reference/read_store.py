"""Reads a cohort store with DuckDB and Polars and compares their answer to a query with that of `midline cohort ask`.

    read_store.py STORE QUERY.sql ANSWER.csv

The query is the ready question as `midline cohort ask … --print-sql` prints it; DuckDB runs it as it stands. Polars runs the same text in its
SQL where that can, else the means of one table.
"""

import csv
import sys

import duckdb
import polars

store, query, answer = sys.argv[1], open(sys.argv[2]).read(), sys.argv[3]
TABLES = ("strokes", "curves", "events", "quality")


def same(a, b):
    if a in (None, "") or b in (None, ""):
        return a in (None, "") and b in (None, "")
    try:
        a, b = float(a), float(b)
    except ValueError:
        return str(a) == str(b)
    return abs(a - b) <= 1e-9 * max(1.0, abs(a), abs(b))


def compare(name, columns, rows):
    with open(answer) as file:
        ours = list(csv.reader(file))
    assert ours[0] == list(columns), (name, ours[0], columns)
    assert len(ours) - 1 == len(rows) > 0, (name, len(ours) - 1, len(rows))
    for mine, theirs in zip(ours[1:], rows):
        assert all(same(a, b) for a, b in zip(mine, theirs)), (name, mine, theirs)
    print(f"{name}: {len(rows)} rows equal")


engine = duckdb.connect()
for table in TABLES:
    engine.execute(f"CREATE VIEW {table} AS SELECT * FROM read_parquet('{store}/{table}/**/*.parquet')")
result = engine.execute(query)
compare("DuckDB", [d[0] for d in result.description], result.fetchall())

frames = {table: polars.scan_parquet(f"{store}/{table}/**/*.parquet", hive_partitioning=False) for table in TABLES}
ours = polars.read_csv(answer)
if "style" in ours.columns and "median" in ours.columns:
    # The distribution by style, written in Polars' own way.
    measure = query.split("measure = '")[1].split("'")[0]
    found = (
        frames["strokes"]
        .filter((polars.col("measure") == measure) & polars.col("value").is_not_null())
        .group_by("style", "kind", "study", "player", "unit")
        .agg(polars.col("value").mean(), polars.len().alias("n"))
        .group_by("style", "kind", "unit")
        .agg(
            polars.len().alias("players"),
            polars.col("n").sum().alias("strokes"),
            polars.col("value").mean().alias("mean"),
            polars.col("value").std().alias("sd_between_players"),
            polars.col("value").min().alias("lowest"),
            polars.col("value").median().alias("median"),
            polars.col("value").max().alias("highest"),
        )
        .sort("style", "kind", "unit")
        .select(ours.columns)
        .collect()
    )
    compare("Polars", found.columns, found.rows())
