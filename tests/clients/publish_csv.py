"""Publishes a readings file (time,device,channel,unit,value) as SenML packs, one device at a time
in order of the file, and ends when the broker has confirmed all of it."""

import argparse
import csv
import datetime
import json

from client import Publisher


def seconds(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


def pack(rows):
    base = seconds(rows[0]["time"])
    records = [
        {"n": row["channel"], "u": row["unit"], "v": float(row["value"]), "t": seconds(row["time"]) - base}
        for row in rows
    ]
    records[0]["bt"] = base
    return json.dumps(records)


def main():
    options = argparse.ArgumentParser()
    options.add_argument("file")
    options.add_argument("--port", type=int, required=True)
    options.add_argument("--version", type=int, default=5)
    options.add_argument("--pack", type=int, default=50)
    options.add_argument("--device", action="append", help="only these devices")
    options.add_argument("--user")
    options.add_argument("--password")
    given = options.parse_args()
    publisher = Publisher(given.port, "season-publisher", given.version, given.user, given.password)
    waiting = {}

    def send(device):
        publisher.publish(f"larder/{device}/readings", pack(waiting.pop(device)), "application/senml+json")

    with open(given.file, newline="") as file:
        for row in csv.DictReader(file):
            device = row["device"]
            if given.device and device not in given.device:
                continue
            waiting.setdefault(device, []).append(row)
            if len(waiting[device]) >= given.pack:
                send(device)
    for device in list(waiting):
        send(device)
    publisher.all_confirmed()
    publisher.close()
    print(f"confirmed {publisher.confirmed}")


main()
