"""Runs judge.py on a cluster of two executors, kills one midway, and holds its rows against one `gonogo check`.

    prove.py GONOGO FOLDER

FOLDER is made anew. What fails is an AssertionError.
"""

import collections
import csv
import glob
import math
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import duckdb

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
JOBS, PER_TASK = 600, 15
TASKS = JOBS // PER_TASK
SHEETS = [str(ROOT / f"corpus/machines/{name}.toml") for name in ("heron", "wren", "bittern")]


def say(text):
    print(text, flush=True)


def make_jobs(folder):
    """600 jobs, no two alike: those of the corpus, each copy with a pause of its own. One of them is no job. It and the next
    have a name with a character that rows do not show, since it would turn the direction of the text."""
    corpus = sorted((ROOT / "corpus/jobs").glob("*.gcode"))
    paths = []
    for k in range(JOBS):
        source = corpus[k % len(corpus)]
        odd = "\u202e" if k in (333, 334) else ""
        path = folder / f"{k % 7}" / f"{k:03}-{odd}{source.name}"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(source.read_bytes().rstrip() + f"\nG4 P{k + 1}\n".encode())
        paths.append(str(path))
    Path(paths[333]).write_text("Dear printer, please print my dog.\n" * 20)
    return paths


def executors(ancestor):
    """Processes of executors below a process: their ids in the cluster by process."""
    parents, found = {}, {}
    for entry in glob.glob("/proc/[0-9]*"):
        try:
            stat = Path(entry, "stat").read_text()
            words = Path(entry, "cmdline").read_bytes().split(b"\0")
        except OSError:
            continue
        pid = int(entry.rsplit("/", 1)[1])
        parents[pid] = int(stat.rsplit(")", 1)[1].split()[1])
        if b"--executor-id" in words and words[0].endswith(b"java"):
            found[pid] = words[words.index(b"--executor-id") + 1].decode()

    def is_below(pid):
        while pid in parents and pid != ancestor:
            pid = parents[pid]
        return pid == ancestor

    return {pid: name for pid, name in found.items() if is_below(pid)}


def workers(program):
    """Workers of ours that run."""
    lines = (Path(entry) for entry in glob.glob("/proc/[0-9]*/cmdline"))

    def words(path):
        try:
            return path.read_bytes().split(b"\0")
        except OSError:
            return []

    return [path for path in lines if words(path)[:2] == [program.encode(), b"worker"]]


def run_on_cluster(gonogo, folder, jobs, parquet):
    """Runs the recipe as its user does, and kills one executor while its tasks are under way."""
    submit = [str(Path(sys.executable).with_name("spark-submit")), "--master", "local-cluster[2,1,1024]"]
    submit += ["--conf", "spark.ui.enabled=false", "--conf", "spark.driver.bindAddress=127.0.0.1"]
    submit += [str(HERE / "judge.py"), "--jobs", str(jobs), "--into", str(parquet), "--gonogo", gonogo]
    submit += ["--jobs-per-task", str(PER_TASK), "--limit-bytes", "1000000000", "--limit-seconds", "3600"]
    submit += [word for sheet in SHEETS for word in ("--machine", sheet)]
    environment = dict(os.environ, PYSPARK_PYTHON=sys.executable, PYSPARK_DRIVER_PYTHON=sys.executable)
    environment.update(SPARK_LOCAL_IP="127.0.0.1", SPARK_WORKER_DIR=str(folder / "work"))
    with open(folder / "spark.log", "wb") as log:
        spark = subprocess.Popen(submit, cwd=folder, env=environment, stdout=log, stderr=subprocess.STDOUT)
    seen, killed, done = {}, None, 0
    begun = time.monotonic()
    while spark.poll() is None:
        assert time.monotonic() - begun < 900, "the cluster hangs"
        running = executors(spark.pid)
        seen.update(running)
        # Tasks whose rows are written, but not yet given over by the job as a whole.
        done = len(glob.glob(f"{parquet}/_temporary/*/task_*"))
        if killed is None and done >= TASKS // 4 and len(running) == 2:
            killed = sorted(running)[0]
            os.kill(killed, signal.SIGKILL)
            assert done < TASKS, "killed too late"
            say(f"killed executor {seen[killed]} with -9 when {done} of {TASKS} tasks were done")
        time.sleep(0.02)
    tail = (folder / "spark.log").read_text(errors="replace")[-4000:]
    assert spark.returncode == 0, f"Spark failed:\n{tail}"
    assert killed is not None, "no executor was killed"
    assert len(set(seen.values())) >= 3, f"nobody took the place of the executor that was killed: {seen}"
    assert f"Lost executor {seen[killed]}" in (folder / "spark.log").read_text(errors="replace"), "Spark saw no loss"
    say(f"Spark ended with 0 after {time.monotonic() - begun:.0f} s; executors {sorted(set(seen.values()), key=int)}")
    deadline = time.monotonic() + 20
    while workers(gonogo) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not workers(gonogo), "a worker outlived its task"


def same(cell, value):
    """Whether a cell of the CSV and a value of the Parquet are the same, numbers to the last bit."""
    if isinstance(value, str):
        return cell == value
    if value is None:
        return cell == ""
    return cell != "" and (float(cell) == value and math.copysign(1, float(cell)) == math.copysign(1, value))


def compare(expected, found):
    """Every row exactly once, every number the same."""
    def key(row):
        return (row["job"], row["sheet"])

    counts = collections.Counter(map(key, found))
    assert max(counts.values()) == 1, "a row is there twice"
    assert counts.keys() == {key(row) for row in expected} and len(expected) == JOBS * len(SHEETS)
    by_key = {key(row): row for row in found}
    cells = unjudged = 0
    for row in expected:
        other = by_key[key(row)]
        assert other.pop("error_kind") == ("job" if row["error"] else None), other
        assert row.keys() == other.keys(), row.keys() ^ other.keys()
        if row["error"]:
            # Without a report there is no name of a machine.
            assert other["machine"] is None and other["verdict"] is None and row["error"] == other["error"], other
            unjudged += 1
            continue
        wrong = [name for name in row if not same(row[name], other[name])]
        assert not wrong, (row["job"], [(name, row[name], other[name]) for name in wrong])
        cells += len(row)
    assert unjudged == len(SHEETS)
    say(f"{len(expected)} rows, each exactly once; {cells} cells equal to those of one check; "
        f"{unjudged} rows of a job that is none")


def answers(expected):
    """The three answers, worked out from the CSV of one check without SQL."""
    judged = [row for row in expected if not row["error"]]
    fit = sorted((row["job"],) for row in judged if row["machine"] == "Heron" and row["verdict"] in ("go", "hold"))
    turned_down = collections.Counter(row["machine"] for row in judged if row["verdict"] == "no-go")
    worst = min(turned_down.items(), key=lambda item: (-item[1], item[0]))
    melt = ("melt_rate_sustained_mm3_s", "melt_capacity_sustained_mm3_s")
    heron = [row for row in judged if row["machine"] == "Heron" and all(row[name] for name in melt)]
    used = {
        row["job"]: float(row["melt_rate_sustained_mm3_s"]) / float(row["melt_capacity_sustained_mm3_s"])
        for row in heron
    }
    least = sorted(used, key=lambda job: (-used[job], job))[: -(-len(used) // 10)]
    margins = sorted((100 * (1 - used[job]), job) for job in least)
    return [fit, [worst], [(job, margin) for margin, job in margins]]


def ask(parquet, expected):
    """The questions of README.md, to the Parquet."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    view, *questions = re.findall(r"```sql\n(.*?)```", readme, re.DOTALL)
    database = duckdb.connect()
    database.execute(view.replace("farm.parquet", str(parquet)))
    right = answers(expected)
    assert len(questions) == len(right) == 3
    for question, answer in zip(questions, right):
        found = database.execute(question).fetchall()
        assert found == answer and found, (question, found[:3], answer[:3])
        say(f"{question.splitlines()[0]}\n   {len(found)} rows, the first: {found[0]}")


def main():
    gonogo, folder = str(Path(sys.argv[1]).resolve()), Path(sys.argv[2]).resolve()
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    jobs, parquet, table = folder / "jobs.txt", folder / "farm.parquet", folder / "check.csv"
    jobs.write_text("".join(path + "\n" for path in make_jobs(folder / "jobs")))
    check = [gonogo, "check", "--files-from", str(jobs), "--format", "csv", "--fail-on", "never", "-o", str(table)]
    check += [word for sheet in SHEETS for word in ("--machine", sheet)]
    code = subprocess.run(check, stderr=subprocess.DEVNULL, check=False).returncode
    assert code == 2, f"one job is none, and check ends with {code}"
    run_on_cluster(gonogo, folder, jobs, parquet)
    with open(table, newline="", encoding="utf-8") as text:
        expected = list(csv.DictReader(text))
    database = duckdb.connect()
    database.execute(
        f"SELECT * FROM read_parquet('{parquet}/*/*.parquet', hive_partitioning = true, hive_types_autocast = false)"
    )
    names = [column[0] for column in database.description]
    compare(expected, [dict(zip(names, row)) for row in database.fetchall()])
    ask(parquet, expected)
    say("the farm holds")


if __name__ == "__main__":
    main()
