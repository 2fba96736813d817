"""Run a batch over a folder; meant to be killed. Arguments: folder, progress log, engine."""

import sys
from pathlib import Path

from batch_work import slow_measure

from fruitcount.tree.checkpoint import ProgressLog
from fruitcount.tree.photos import find_photos
from fruitcount.tree.run import BatchSettings, run_batch


def main():
    folder, where, engine = sys.argv[1:]
    progress_log = ProgressLog(where, "key")
    settings = BatchSettings(engine=engine, workers=2)

    def tell(progress):
        if progress.done_n > progress.skipped_n:
            sys.stdout.write("x")
            sys.stdout.flush()

    files = find_photos(Path(folder))
    run_batch(files, slow_measure, progress_log=progress_log, settings=settings, progress=tell)


if __name__ == "__main__":
    main()
