"""Judges many jobs on several machines with gonogo on Apache Spark; the rows become Parquet.

    spark-submit judge.py --jobs jobs.txt --machine heron.toml --machine wren.toml --into farm.parquet

The list names a job on each line. Jobs, sheets and gonogo must be where every task finds them, under the same paths.
The columns are those of `gonogo check --format csv`, and behind them `error_kind`. A job that cannot be judged has a row
for each sheet with the reason in `error`, its kind in `error_kind` and no machine.
"""

import argparse
import json
import subprocess
from functools import partial

import pandas as pd
from pyspark.sql import SparkSession
from pyspark.sql.types import DoubleType, LongType, StringType, StructField, StructType

KINDS = {"string": StringType(), "integer": LongType(), "number": DoubleType()}


def columns(gonogo):
    """The columns of a row and their types, as gonogo publishes them."""
    schema = json.loads(subprocess.check_output([gonogo, "report-schema", "--of", "worker"]))
    row = schema["$defs"]["Row"]["properties"]
    names = [StructField(name, KINDS[of["type"][0]]) for name, of in row.items()]
    return StructType(names + [StructField("error_kind", StringType())])


def judge(batches, worker_call, machines, names):
    """The rows of all jobs of a task, from a worker of its own. When that dies, the task fails and Spark tries again."""
    with subprocess.Popen(worker_call, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as worker:
        for batch in batches:
            rows = []
            for path in batch["path"]:
                request = {"id": path, "path": path, "machines": machines, "report": "row"}
                worker.stdin.write(json.dumps(request).encode() + b"\n")
                worker.stdin.flush()
                answer = json.loads(worker.stdout.readline())
                error = answer.get("error", {})
                if "reports" not in answer or error.get("kind") == "unread":
                    # That says nothing of the job: the task fails, and Spark tries again.
                    raise RuntimeError(f"{path}: {error['text']}")
                # The path in the request is raw. `job`, `sheet` and `error` of a row are guarded like those of the CSV, so
                # that no spreadsheet takes one for a formula: the same text in both, with ' in front where that is needed.
                rows += [row | {"error_kind": error.get("kind")} for row in answer["reports"]]
            yield pd.DataFrame(rows, columns=names, dtype=object)


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--jobs", required=True, help="a file with the path of a job on each line")
    asked.add_argument("--machine", required=True, action="append", help="a machine sheet; may be given several times")
    asked.add_argument("--into", required=True, help="the folder of Parquet to write, replaced if it is there")
    asked.add_argument("--gonogo", default="gonogo", help="the program")
    asked.add_argument("--limit-bytes", metavar="BYTES", help="as of gonogo worker: refuse larger jobs")
    asked.add_argument("--limit-seconds", metavar="SECONDS", help="as of gonogo worker: give up jobs that take longer")
    asked.add_argument("--jobs-per-task", type=int, default=500)
    args = asked.parse_args()

    with open(args.jobs, encoding="utf-8") as list_of_jobs:
        jobs = [(line.rstrip("\n"),) for line in list_of_jobs if line.strip()]
    row = columns(args.gonogo)
    limits = {"--limit-bytes": args.limit_bytes, "--limit-seconds": args.limit_seconds}
    worker_call = [args.gonogo, "worker"] + [word for of in limits.items() if of[1] for word in of]
    work = partial(judge, worker_call=worker_call, machines=args.machine, names=row.names)

    spark = SparkSession.builder.appName("gonogo").getOrCreate()
    tasks = max(1, -(-len(jobs) // args.jobs_per_task))
    manifest = spark.createDataFrame(spark.sparkContext.parallelize(jobs, tasks), "path string")
    manifest.mapInPandas(work, row).write.mode("overwrite").partitionBy("machine").parquet(args.into)
    spark.stop()


if __name__ == "__main__":
    main()
