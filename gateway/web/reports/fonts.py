"""The type of the PDF: Roboto from its PyPI package, embedded as far as it is used.

The fonts that every PDF reader has know no Greek or Cyrillic and no true minus, and the machine may have no fonts at all.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import as_file, files

from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, BOLD, ITALIC = "Roboto", "Roboto-Bold", "Roboto-Italic"
_FILES = {REGULAR: "Roboto-Regular.ttf", BOLD: "Roboto-Bold.ttf", ITALIC: "Roboto-Italic.ttf"}


@cache
def load_fonts() -> None:
    """Make the fonts known to the PDF library, once."""
    for name, file in _FILES.items():
        with as_file(files("font_roboto") / "files" / file) as path:
            registerFont(TTFont(name, str(path)))
    registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=ITALIC, boldItalic=BOLD)
