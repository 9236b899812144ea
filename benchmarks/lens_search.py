"""How many trains a second the lens search rates in full: python benchmarks/lens_search.py.

Prints trains and seconds for the drawer of docs/drawer.csv, stage by stage, best of three.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
from pathlib import Path

from planewright.bench.drawer import read_drawer
from planewright.bench.search import place_all, promising, search
from planewright.bench.search_plans import Pool
from planewright.bench.search_rate import rate
from planewright.bench.search_wish import Wish
from planewright.optics.media import medium_index

DRAWER = Path(__file__).parents[1] / "docs" / "drawer.csv"


def main() -> None:
    """Time the search."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--trains", type=int, default=100_000, help="trains to rate in full")
    options.add_argument("--repeats", type=int, default=3)
    given = options.parse_args()
    lenses = read_drawer(DRAWER)
    index = medium_index("sea water", 488.0, temperature_degc=16.0)
    wish = Wish(5.0, 600.0, 488.0, 0.6, index)
    pool = Pool(lenses)
    best: dict[str, float] = {}
    for _ in range(given.repeats):
        start = time.perf_counter()
        groups, tried = place_all(pool, wish, most=given.trains)
        placed_at = time.perf_counter()
        kept = promising(groups, wish, given.trains)
        kept_at = time.perf_counter()
        for many in kept:
            rate(many, pool, wish)
        rated_at = time.perf_counter()
        found = search(lenses, wish, most_rated=given.trains)
        stages = {
            "place": placed_at - start,
            "choose": kept_at - placed_at,
            "rate": rated_at - kept_at,
            "whole": time.perf_counter() - rated_at,
        }
        best = {name: min(best.get(name, took), took) for name, took in stages.items()}
    rated = sum(len(many) for many in kept)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
        2**20 if sys.platform == "darwin" else 2**10
    )
    each = 1e5 * (best["place"] / tried + best["rate"] / rated)
    rows = (
        f"{len(lenses)} lenses, {os.cpu_count()} cores, one thread",
        f"placed and focused     {tried:>9} trains  {best['place']:6.2f} s",
        f"chosen of these        {rated:>9} trains  {best['choose']:6.2f} s",
        f"rated in full          {rated:>9} trains  {best['rate']:6.2f} s",
        f"whole search, best ten worked out one by one  {best['whole']:6.2f} s",
        f"100000 trains placed and rated would take  {each:6.2f} s",
        f"peak memory {peak:.0f} MB; first: {', '.join(found.best[0].names)}",
    )
    sys.stdout.write("\n".join(rows) + "\n")


if __name__ == "__main__":
    main()
