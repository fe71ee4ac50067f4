"""Simulated spinners, each with a bloom of their own: does the plan's interval hold the yarn?

    python -m tests.bench.plan [--spinners 500]

A spinner's levels come from even distributions (not the normal ones that the regression takes),
their skeins scatter by amounts of their own, and every size is read with 1.5 % of doubt. The
regression sees some of their skeins and foretells the next. Aim: 95 % +/- 3 % of the 95 %
intervals hold it, and after four skeins the interval is half as long or less.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from measure.bloom import Known, Pair, learn
from measure.ply_geometry import ply_factor

READING = 0.015
SKEINS = (0, 1, 2, 4, 8)
KINDS = ("same fibre", "another fibre")
FIBRES = ("merino top", "shetland roving", "cotton sliver")


@dataclass(frozen=True)
class Spinner:
    """How much one spinner's yarn changes: logarithms over geometry."""

    ply: dict[str, float]
    wash: dict[str, float]
    scatter: float

    @classmethod
    def drawn(cls, random: np.random.Generator) -> Spinner:
        """One of many: general levels, fibres and methods apart, scatter from 1.5 to 6 %."""
        own_ply, own_wash = random.uniform(-0.15, 0.15), random.uniform(-0.03, 0.13)
        return cls(
            {f: own_ply + random.uniform(-0.1, 0.1) for f in FIBRES},
            {f: own_wash + random.uniform(-0.08, 0.08) for f in FIBRES},
            math.exp(random.uniform(math.log(0.015), math.log(0.06))),
        )

    def skein(self, name: str, fibre: str, random: np.random.Generator) -> Pair:
        """A skein as its spinner reads it."""
        plies = 2
        single = math.exp(random.uniform(math.log(0.3), math.log(0.9)))
        ply = self.ply[fibre] + self.scatter * random.standard_normal()
        finished = ply + self.wash[fibre] + self.scatter * random.standard_normal()
        sizes = (single, single * ply_factor(plies) * math.exp(ply))
        washed = single * ply_factor(plies) * math.exp(finished)

        def read(true: float) -> Known:
            value = true * math.exp(READING * random.standard_normal())
            return Known(value, READING * value)

        plied = read(sizes[1])
        return Pair(name, "plied", fibre, plies, read(sizes[0]), None, plied, read(washed))

    def share_within(self, fibre: str, low: float, high: float) -> float:
        """How many of all skeins to come lie between, as logarithms of washed over geometry."""
        level, spread = self.ply[fibre] + self.wash[fibre], self.scatter * math.sqrt(2)
        return float(ndtr((high - level) / spread) - ndtr((low - level) / spread))


@dataclass(frozen=True)
class Outcome:
    """One prediction beside what is to come."""

    skeins: int
    kind: str
    held: float
    """Share of this spinner's skeins to come that the interval holds."""
    length: float
    """Of the interval, in the logarithm."""


def outcomes(
    spinners: int, seed: int = 1, skeins_known: Sequence[int] = SKEINS, kinds: Sequence[str] = KINDS
) -> Iterator[Outcome]:
    """Predictions of each spinner's skeins after so many, of the same fibre and of another."""
    for number in range(spinners):
        random = np.random.default_rng((seed, number))
        spinner = Spinner.drawn(random)
        fibre, other = random.choice(len(FIBRES), 2, replace=False).tolist()
        taught = [spinner.skein(f"S{k}", FIBRES[fibre], random) for k in range(max(skeins_known))]
        for skeins in skeins_known:
            for kind in kinds:
                of = fibre if kind == KINDS[0] else other
                if kind == KINDS[1] and skeins not in (4, 8):
                    continue
                found = learn(taught[:skeins], "plied", 2, FIBRES[of]).finished
                low, high = (math.log(end) for end in found.interval)
                yield Outcome(skeins, kind, spinner.share_within(FIBRES[of], low, high), high - low)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spinners", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    found = list(outcomes(chosen.spinners, chosen.seed))
    first = np.mean([o.length for o in found if o.skeins == 0])
    print(
        "| skeins known | next skein of | interval holds it | its length over the first guess's |"
    )
    print("|---|---|---|---|")
    for kind in KINDS:
        for skeins in SKEINS:
            some = [o for o in found if (o.skeins, o.kind) == (skeins, kind)]
            if some:
                held = np.mean([o.held for o in some])
                length = np.mean([o.length for o in some]) / first
                print(f"| {skeins} | {kind} | {100 * held:.1f} % | {length:.2f} |")


if __name__ == "__main__":
    main()
