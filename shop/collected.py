"""Style sheets and scripts are served without the comments they are written with: a tenth of a first page.

They are left out where `collectstatic` writes the files that are served. In a script only lines that are nothing but a
comment go, and each leaves its place empty: a fault still names its line.
"""

import re

from django.core.files.base import ContentFile, File
from whitenoise.storage import CompressedManifestStaticFilesStorage

_SHEET = re.compile(rb"/\*.*?\*/", re.DOTALL)
_SCRIPT = re.compile(rb"^[ \t]*//.*$", re.MULTILINE)


def without_comments(name: str, content: bytes) -> bytes:
    """What is served of the file of this name."""
    if name.endswith(".css"):
        return _SHEET.sub(b"", content)
    if name.endswith(".js") and not name.endswith(".min.js"):
        return _SCRIPT.sub(b"", content)
    return content


class Collected(CompressedManifestStaticFilesStorage):
    """Named by what they hold and compressed, as WhiteNoise does it; a script imports others by those names."""

    support_js_module_import_aggregation = True

    def _save(self, name: str, content: File) -> str:
        return super()._save(name, ContentFile(without_comments(name, b"".join(content.chunks()))))
