"""Reads an incident recording with the csv module of the standard library."""

import csv
import os


class Read:
    def __init__(self, path):
        self.path = path
        with open(path, newline="", encoding="utf-8") as file:
            lines = file.read().splitlines()
        self.head = [line[2:].split(": ", 1) if ": " in line else [line[2:].rstrip(":"), ""] for line in lines if line.startswith("#")]
        table = csv.DictReader(line for line in lines if not line.startswith("#"))
        self.rows = list(table)
        assert len(self.rows) == int(self.line("rows")), path
        assert all(None not in row and None not in row.values() for row in self.rows), path

    def lines(self, key):
        return [words for name, words in self.head if name == key]

    def line(self, key):
        return self.lines(key)[0]


def whole_files(folder):
    return sorted(os.path.join(folder, n) for n in (os.listdir(folder) if os.path.isdir(folder) else ()) if n.endswith(".csv"))


def halves(folder):
    return [n for n in (os.listdir(folder) if os.path.isdir(folder) else ()) if not n.endswith(".csv")]
