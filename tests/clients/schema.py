"""Raises (or lowers) the schema number of the embedded store by a thousand, as a newer version would
have left it: schema.py DIR +|-"""

import pathlib
import sqlite3
import sys

folder, direction = sys.argv[1:]
step = 1000 if direction == "+" else -1000
for file in sorted(pathlib.Path(folder).iterdir()):
    if file.name.endswith(("-wal", "-shm", "-journal")):
        continue
    with open(file, "rb") as head:
        if head.read(16) != b"SQLite format 3\0":
            continue
    db = sqlite3.connect(file)
    (version,) = db.execute("PRAGMA user_version").fetchone()
    db.execute(f"PRAGMA user_version = {version + step}")
    db.commit()
    db.close()
    print(file.name, version + step)
