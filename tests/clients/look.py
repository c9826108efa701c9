"""Looks at the pages in a real Chromium: look.py URL FOLDER

Opens the first page, follows the first link to a hive, and takes a picture of both at phone width
and on a desk into FOLDER. Prints one JSON line: for each view its text, what the console complained
about, the requests that failed, and how many different rows of pixels its picture has."""

import json
import pathlib
import shutil
import struct
import sys
import zlib

from playwright.sync_api import sync_playwright

VIEWS = {"phone": {"width": 390, "height": 844}, "desk": {"width": 1280, "height": 900}}


def different_rows(png):
    """Rows of a PNG that differ from each other, by their filtered bytes: a blank page has few."""
    width, height, depth, colour = struct.unpack(">IIBB", png[16:26])
    channels = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colour]
    data, at = b"", 8
    while at < len(png):
        length, kind = struct.unpack(">I4s", png[at : at + 8])
        if kind == b"IDAT":
            data += png[at + 8 : at + 8 + length]
        at += 12 + length
    raw = zlib.decompress(data)
    row = 1 + width * channels * depth // 8
    return len({raw[y * row : (y + 1) * row] for y in range(height)})


def main():
    url, folder = sys.argv[1], pathlib.Path(sys.argv[2])
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    views = []
    with sync_playwright() as tool:
        # Chromium's own sandbox needs rights that containers seldom have; the pages are our own.
        browser = tool.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for name, viewport in VIEWS.items():
            page = browser.new_page(viewport=viewport)
            complaints, failed = [], []
            page.on("console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None)
            page.on("pageerror", lambda e: complaints.append(str(e)))
            page.on("response", lambda r: failed.append(f"{r.status} {r.url}") if r.status >= 400 else None)

            def take(what):
                png = page.screenshot(path=folder / f"{what}-{name}.png")
                views.append({
                    "view": f"{what} ({name})",
                    "text": page.inner_text("body"),
                    "complaints": list(complaints),
                    "failed": list(failed),
                    "rows": different_rows(png),
                })

            page.goto(url)
            # The links to hives are drawn when the data is there.
            link = page.locator("a[href*='/hives/']").first
            link.wait_for(state="attached", timeout=30_000)
            page.wait_for_function("document.fonts.status == 'loaded'")
            take("shelf")
            page.goto(page.evaluate("e => e.href", link.element_handle()))
            page.wait_for_selector("main svg, main canvas", timeout=30_000)
            take("hive")
            page.close()
        browser.close()
    print(json.dumps(views))


main()
