"""A virtual bench for mirror samples: photographs by a physical model that the estimators know nothing about."""

from rigwarp.simulation.samples.bench import VirtualSampleBench
from rigwarp.simulation.samples.true_figures import true_figures
from rigwarp.simulation.samples.truth import BenchTruth, parse_bench_truth

__all__ = ["BenchTruth", "VirtualSampleBench", "parse_bench_truth", "true_figures"]
