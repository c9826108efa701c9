"""Prints HTML files in a real Chromium: print.py FILE…

Prints one JSON line: for each file and paper the number of pages and whether the text is cut off at
the right edge."""

import json
import pathlib
import re
import shutil
import sys

from playwright.sync_api import sync_playwright

# CSS pixels (96 to the inch) between margins of 12 mm, which the narrowest printers need.
PAPERS = {"A4": 210 - 24, "Letter": 216 - 24}


def main():
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    printed = []
    with sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page()
        for name in sys.argv[1:]:
            page.goto(pathlib.Path(name).absolute().as_uri())
            page.emulate_media(media="print")
            for paper, width_mm in PAPERS.items():
                page.set_viewport_size({"width": int(width_mm / 25.4 * 96), "height": 1000})
                pdf = page.pdf(format=paper)
                printed.append({
                    "file": pathlib.Path(name).name,
                    "paper": paper,
                    "pages": len(re.findall(rb"/Type\s*/Page\b", pdf)),
                    "cut_off": page.evaluate("document.documentElement.scrollWidth > innerWidth"),
                })
        browser.close()
    print(json.dumps(printed))


main()
