"""Office files are zip archives that carry the time of writing; here they are packed again without it."""

from __future__ import annotations

import io
import zipfile
from typing import Final

_NO_TIME: Final = (1980, 1, 1, 0, 0, 0)
_UNIX: Final = 3


def packed_again(archive: bytes) -> bytes:
    """The same parts in the same order with fixed times and rights, so that the same content is the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(archive)) as old, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            plain = zipfile.ZipInfo(part.filename, _NO_TIME)
            plain.compress_type = zipfile.ZIP_DEFLATED
            plain.external_attr = 0o600 << 16
            plain.create_system = _UNIX
            new.writestr(plain, old.read(part), compresslevel=6)
    return buffer.getvalue()
