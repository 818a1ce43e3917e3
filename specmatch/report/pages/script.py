"""The one script of a page: tables sort and filter, what is folded opens for print. Without it the page is whole."""

from base64 import b64encode
from hashlib import sha256
from importlib.resources import files


def own_text(name: str) -> str:
    """Return the text of a file that stands beside this one."""
    return files("specmatch.report.pages").joinpath(name).read_text(encoding="utf-8")


SCRIPT = "\n" + own_text("page.js")

# what a page allows to run: this text and nothing else
ALLOWED = f"'sha256-{b64encode(sha256(SCRIPT.encode()).digest()).decode()}'"
OWN_SCRIPT = f"<script>{SCRIPT}</script>\n"
