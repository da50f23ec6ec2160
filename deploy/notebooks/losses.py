"""Reads a loss export and works its headline out again. The standard library alone; with pyarrow or polars the same
table is read from -o parquet or -o arrow.

    downweb loss --month 2026-06 --by press -o csv --out june.csv
    python3 losses.py june.csv

The manifest beside the file says what was asked; the SHA-256 says that the file is the one it speaks of.
"""

import csv
import hashlib
import json
import sys
from collections import defaultdict

file = sys.argv[1]
with open(file + ".manifest.json", encoding="utf-8") as f:
    manifest = json.load(f)
with open(file, "rb") as f:
    if hashlib.sha256(f.read()).hexdigest() != manifest["sha256"]:
        sys.exit("the file is not the one its manifest speaks of")

with open(file, newline="", encoding="utf-8") as f:
    rows = list(csv.DictReader(f))
if len(rows) != manifest["rows"]:
    sys.exit("rows are missing")

planned, valuable, losses, share = (defaultdict(int) for _ in range(4))
for row in rows:
    if row["view"] or row["part_of"]:  # leaves alone: no pieces, no other schemes
        continue
    key, time = row["key"], int(row["time_us"])
    if row["leaf"] == "planned_busy_time":
        planned[key] += time
    elif row["leaf"] == "valuable_operating_time":
        valuable[key] += time
    else:
        losses[key] += time
        if row["share"] in ("cleaning", "dirt"):
            share[key] += time

for key in planned:
    if planned[key] != valuable[key] + losses[key]:  # in whole microseconds the ladder closes exactly
        sys.exit(f"the ladder of {key} does not close")
    print(f"{key or 'all'}: OEE {100 * valuable[key] / planned[key]:.2f} %, "
          f"maintenance {100 * share[key] / planned[key]:.2f} points, of {planned[key] / 3.6e9:.1f} h planned")
