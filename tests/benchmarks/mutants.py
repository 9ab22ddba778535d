"""Which small faults in central functions do their tests not notice? python tests/benchmarks/mutants.py [WORD ...]

Each fault is put into a copy of the tree, and the tests of its stage are run there until one fails, those that import
its file first. Prints a line each; those that survive ask for a test. With words, only faults whose file holds one of
them.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
FAULTS = [  # file below pipelines/, what stands there, what is put in its place
    ("history/clock.py", "fast > 60.0, 1 / 3600", "fast > 60.0, 1 / 360"),
    ("history/clock.py", "contradicted = counter[row] > at[row] - done + ZONES_H", "contradicted = counter[row] > 1e9"),
    ("history/clock.py", 'pl.col("block") < max(block, 1)', 'pl.col("block") <= block'),
    ("history/fault_events.py", 'pl.col("read_at") > pl.col("last_at")', 'pl.col("read_at") >= pl.col("last_at")'),
    ("history/fault_events.py", "hours <= pl.col(\"hours\") + CLOCK_SLACK_H", "hours <= pl.col(\"hours\") + 1e9"),
    ("history/fault_events.py", 'pl.coalesce("repaired_at", "cleared_at", middle)', "middle"),
    ("bands/noise.py", "x[r] /= np.sqrt(1 - 1 / peers[c, cell[r]])", "x[r] /= 1"),
    ("bands/noise.py", "gamma[c, k] /= 2", "gamma[c, k] /= 2.4"),
    ("bands/noise.py", "or epoch[c, p] != epoch[c, r]", "or False"),
    ("bands/season.py", "others = here.weight - own", "others = here.weight"),
    ("bands/season.py", "d2[count] = noise2[b] * (1 + 1 / shrink)", "d2[count] = noise2[b]"),
    ("bands/season.py", "every += newest", "every = newest"),
    ("drift/threshold.py", "= -np.log(rate)", "= 1.3 - np.log(rate)"),
    ("drift/threshold.py", "(corrections * readings_a_year * alike)", "(readings_a_year * alike)"),
    ("drift/leeway.py", "deviation[r] >= 0", "deviation[r] <= 0"),
    ("drift/leeway.py", "way = limit - centre[r]", "way = limit"),
    ("drift/limit_dates.py", "- 0.5 * np.log(prior2 * exact)", "- 0.4 * np.log(prior2 * exact)"),
    ("drift/limit_dates.py", "(begin[k][:, None] + met)", "(day[-1] + met)"),
    ("drift/limit_dates.py", "goal - left * sigma / abs(size)", "goal"),
    ("causes/bayes_factors.py", "1.0 - mass.sum()", "0.5 - mass.sum()"),
    ("causes/bayes_factors.py", "(1.0 - absent) * seen + absent * clean", "(1.0 - absent) * seen"),
    ("causes/bayes_factors.py", "severity[s] * way * spread[i]", "way * spread[i]"),
    ("forecast/stacking.py", ", gradient + belief @ away", ", gradient"),
    ("forecast/stacking.py", "np.add.at(by_vehicle, vehicle, scores)", "by_vehicle = scores"),
    ("forecast/stacking.py", "self.line[2] * BEND + (announced", "(announced"),
    ("recurring/rates.py", "(0.5 if mid else 1.0)", "(1.0 if mid else 0.5)"),
    ("recurring/rates.py", "np.sqrt(told.dispersion)))\n\n\ndef rate_ratio(", "1.0))\n\n\ndef rate_ratio("),
    ("recurring/rates.py", "* np.sqrt(told.dispersion)))\n    low", "))\n    low"),
    ("workplan/assign.py", "slot = (option.depot, option.day + offset)", "slot = (option.depot, option.day)"),
    ("workplan/assign.py", "if option.from_stock:", "if False:"),
    (
        "workplan/assign.py", 'programme.add(("job", option.job), column, 1.0, 1.0)',
        'programme.add(("job", option.job), column, 1.0, 2.0)',
    ),
    ("workplan/urgency.py", '(pl.col("p7") >= week["probability_7d"])', '(pl.col("p7") >= 2)'),
    (
        "workplan/urgency.py", 'pl.col("days_to_limit") <= plan["limit_within_days"]',
        'pl.col("days_to_limit") <= -1',
    ),
    (
        "workplan/urgency.py", 'descending=[False, False, False, False, True, False]',
        'descending=[False, False, False, False, False, False]',
    ),
    ("store/rows.py", "IS NULL\"\n        for c in content", "IS NOT NULL\"\n        for c in content"),
    ("store/rows.py", 'pl.col("arrival").last().over(key)', 'pl.col("arrival").first().over(key)'),
    ("store/rows.py", "newest[times[0]].max()", "newest[times[0]].min()"),
]  # fmt: skip


def main() -> None:
    """Put in one fault after another."""
    words = sys.argv[1:]
    with tempfile.TemporaryDirectory(prefix="leeway-mutants-") as folder:
        tree = Path(folder) / "tree"
        shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".git", ".venv", "*.pyc", ".*_cache"))
        for name, old, new in FAULTS:
            if not words or any(word in name for word in words):
                print(f"{verdict(tree, name, old, new):9} {name}: {old!r} -> {new!r}", flush=True)


def verdict(tree: Path, name: str, old: str, new: str) -> str:
    """What the tests of the stage say of one fault: 'killed', 'SURVIVES', or 'stale' where nothing stands there."""
    file = tree / "pipelines" / name
    sound, times = file.read_text("utf-8"), (file.stat().st_atime_ns, file.stat().st_mtime_ns)
    if sound.count(old) != 1:
        return "stale"
    stage = f"tests/pipelines/{Path(name).parent}"
    module = "pipelines." + name.removesuffix(".py").replace("/", ".")
    own = sorted(str(test) for test in (tree / stage).glob("test_*.py") if f"{module} " in test.read_text("utf-8"))
    compiled = {kernel: kernel.read_bytes() for kernel in kernels(tree, module)}
    file.write_text(sound.replace(old, new), "utf-8")
    for kernel in compiled:
        kernel.unlink()
    environment = {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        tests = [sys.executable, "-m", "pytest", "-x", "-q", "-n0", *own, stage]
        done = subprocess.run(tests, cwd=tree, env=os.environ | environment, capture_output=True, check=False)
    finally:
        file.write_text(sound, "utf-8")
        os.utime(file, ns=times)  # what is compiled belongs to a time of its source
        for kernel in kernels(tree, module):
            kernel.unlink()
        for kernel, content in compiled.items():
            kernel.write_bytes(content)
    return {0: "SURVIVES", 1: "killed"}.get(done.returncode, f"exit {done.returncode}")


def kernels(tree: Path, module: str) -> list[Path]:
    """Compiled kernels of a module and of those that import it: a kernel that calls another holds a copy of it."""
    found, files = {module}, {_module(tree, file): file for file in (tree / "pipelines").rglob("*.py")}
    texts = {name: file.read_text("utf-8") for name, file in files.items()}
    while (
        more := {name for name, text in texts.items() if any(f"from {each} import" in text for each in found)} - found
    ):
        found |= more
    return [kernel for name in found for kernel in files[name].parent.glob(f"__pycache__/{files[name].stem}.*.nb?")]


def _module(tree: Path, file: Path) -> str:
    return ".".join(file.relative_to(tree).with_suffix("").parts)


if __name__ == "__main__":
    main()
