"""Opens a workbook in LibreOffice, types cells as a person would, and saves it as .xlsx again.

Run by a Python that has LibreOffice's `uno`, which is not the one of the tests:
    python3 office_typist.py WORKBOOK.xlsx TYPED.json PROFILE
TYPED.json: [[sheet, column counted from 0, row counted from 0, text], ...]
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import uno
from com.sun.star.beans import PropertyValue
from com.sun.star.connection import NoConnectException


def setting(name: str, value: object) -> PropertyValue:
    return PropertyValue(Name=name, Value=value)


def connected(pipe: str) -> object:
    local = uno.getComponentContext()
    resolver = local.ServiceManager.createInstanceWithContext("com.sun.star.bridge.UnoUrlResolver", local)
    end = time.monotonic() + 90
    while True:
        try:
            return resolver.resolve(f"uno:pipe,name={pipe};urp;StarOffice.ComponentContext")
        except NoConnectException:
            if time.monotonic() > end:
                raise
            time.sleep(0.3)


def main(workbook: Path, typed: Path, profile: Path) -> None:
    pipe = f"typist{profile.stat().st_ino}"
    office = subprocess.Popen(
        [
            "soffice",
            "--headless",
            "--norestore",
            "--nologo",
            f"-env:UserInstallation={profile.resolve().as_uri()}",
            f"--accept=pipe,name={pipe};urp;",
        ]
    )
    try:
        context = connected(pipe)
        make = context.ServiceManager.createInstanceWithContext
        desktop, dispatcher = (
            make("com.sun.star.frame.Desktop", context),
            make("com.sun.star.frame.DispatchHelper", context),
        )
        book = desktop.loadComponentFromURL(workbook.resolve().as_uri(), "_blank", 0, ())
        controller = book.getCurrentController()
        for sheet_name, column, row, text in json.loads(typed.read_text(encoding="utf-8")):
            sheet = book.Sheets.getByName(sheet_name)
            controller.setActiveSheet(sheet)
            controller.select(sheet.getCellByPosition(column, row))
            dispatcher.executeDispatch(controller.Frame, ".uno:EnterString", "", 0, (setting("StringName", text),))
        book.storeToURL(workbook.resolve().as_uri(), (setting("FilterName", "Calc MS Excel 2007 XML"),))
        book.close(True)
        desktop.terminate()
        office.wait(timeout=60)
    finally:
        if office.poll() is None:
            office.kill()


if __name__ == "__main__":
    main(*(Path(word) for word in sys.argv[1:4]))
