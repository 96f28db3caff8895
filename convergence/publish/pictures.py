"""Pictures in prose: local ones are put into the notebook itself, so that a publication needs no file beside it.

A picture from elsewhere is not fetched: the page tells its description in its place.
"""

from __future__ import annotations

import base64
import hashlib
import html
import re
from pathlib import Path
from urllib.parse import unquote

from nbformat import NotebookNode

from convergence.errors import ConvergenceError, clipped
from convergence.publish.privacy import Veil

LARGEST_PICTURE = 16 * 1024**2
#: Kinds of pictures by how their files begin.
KINDS = (
    (b"\x89PNG\r\n\x1a\n", "image/png", "png"),
    (b"\xff\xd8\xff", "image/jpeg", "jpg"),
    (b"GIF8", "image/gif", "gif"),
)
#: A fence or a span of code, in which nothing is a picture; or one of the three ways to show one.
_FENCE = r"^ {0,3}(?P<fence>`{3,}|~{3,})[^\n]*\n.*?(?:^ {0,3}(?P=fence)[`~]*[ \t]*$|\Z)"
_SPAN = r"(?P<tick>`+)(?!`).+?(?<!`)(?P=tick)(?!`)"
_INLINE = r"!\[[^\]]*\]\(\s*(?P<angle><)?(?P<inline>(?(angle)[^>\n]+|[^\s()]*(?:\([^\s()]*\)[^\s()]*)*))"
_NAMED = r"^ {0,3}\[(?P<label>[^\]\n]+)\]:[ \t]*<?(?P<named>[^\s>]+)"
_TAG = r"<img\b[^>]*?\bsrc\s*=\s*(?P<quote>[\"'])(?P<tag>.*?)(?P=quote)"
_PICTURE = re.compile(f"{_FENCE}|{_SPAN}|{_INLINE}|{_NAMED}|{_TAG}", re.DOTALL | re.MULTILINE | re.IGNORECASE)
_SCHEME = re.compile(r"[a-z][a-z0-9+.-]+:|//", re.IGNORECASE)
#: In a page: a picture with all that stands in its tag.
_SHOWN = re.compile(r"<img\b(?:\"[^\"]*\"|'[^']*'|[^>\"'])*>", re.IGNORECASE)
_PART = re.compile(r"\b(src|alt)\s*=\s*(?:\"([^\"]*)\"|'([^']*)'|([^\s>\"']+))", re.IGNORECASE)
ATTACHED = "attachment:"


def embed_pictures(notebook: NotebookNode, folder: Path, name: str, veil: Veil) -> None:
    """Put every local picture of the prose into its cell, in place; what stands on the network is left as written.

    Parameters
    ----------
    notebook : NotebookNode
        The notebook.
    folder : Path
        Folder of the notebook, from which names of pictures count.
    name : str
        Name of the notebook, for messages.
    veil : Veil
        What a picture must not tell; drawings of lines are apt to name the folder they were saved in.

    Raises
    ------
    ConvergenceError
        A picture is not there, is named from the root of the machine, is too large, no picture, or names a folder.
    """
    for number, cell in enumerate(notebook.cells, start=1):
        if cell.cell_type == "markdown":
            _embed(cell, folder, f"{name}: cell {number}", veil)


def _embed(cell: NotebookNode, folder: Path, where: str, veil: Veil) -> None:
    source = str(cell.source)
    labels = {
        label.lower()
        for label in re.findall(r"!\[[^\]]*\]\[([^\]]+)\]|!\[([^\]]+)\](?![\[(])", source)
        for label in label
    }
    attachments = dict(cell.get("attachments", {}))

    def put(match: re.Match[str]) -> str:
        part = next((kind for kind in ("inline", "named", "tag") if match.group(kind)), None)
        if part is None or (part == "named" and match.group("label").lower() not in labels):
            return match.group()
        target = match.group(part)
        attached = target.removeprefix(ATTACHED)
        if attached != target and unquote(attached) not in attachments:
            raise ConvergenceError(f"{where} shows {clipped(target)}, which is not attached. To mend: attach it again.")
        if _SCHEME.match(target):
            return match.group()
        data, kind, ending = _read(target, folder, where)
        if named := veil.folder_in(data.decode("utf-8", "replace")):
            raise ConvergenceError(
                f"{where} shows {clipped(target)}, which names a folder of this machine ({named}). To mend: save it "
                "without its properties."
            )
        own = f"picture-{hashlib.sha256(data).hexdigest()[:16]}.{ending}"
        attachments[own] = {kind: base64.b64encode(data).decode("ascii")}
        begin, end = (at - match.start() for at in match.span(part))
        # the tag of a picture is not looked through for what is attached: it carries the picture itself
        put_in = f"data:{kind};base64,{attachments.pop(own)[kind]}" if part == "tag" else ATTACHED + own
        return match.group()[:begin] + put_in + match.group()[end:]

    cell["source"] = _PICTURE.sub(put, source)
    if attachments:
        cell["attachments"] = attachments


def _read(target: str, folder: Path, where: str) -> tuple[bytes, str, str]:
    """The bytes of a local picture, its kind and the ending of its name."""
    shown = clipped(target)
    plain = unquote(html.unescape(target)).split("#")[0].split("?")[0]
    if not plain.isprintable() or plain.startswith(("/", "\\", "~")) or "\\" in plain:
        raise ConvergenceError(
            f"{where} shows {shown}, expected a name from the notebook's folder. To mend: name it so."
        )
    path = folder / plain
    if not path.is_file():
        raise ConvergenceError(
            f"{where} shows {shown}, which is not there. To mend: put the picture there, or take it out."
        )
    if path.stat().st_size > LARGEST_PICTURE:
        raise ConvergenceError(f"{where} shows {shown}, larger than {LARGEST_PICTURE} bytes. To mend: make it smaller.")
    data = path.read_bytes()
    for begins, kind, ending in KINDS:
        if data.startswith(begins):
            return data, kind, ending
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return data, "image/webp", "webp"
    if re.match(rb"(\xef\xbb\xbf)?\s*(<\?xml[^>]*>\s*)?(<!--.*?-->\s*)*(<!DOCTYPE[^>]*>\s*)?<svg\b", data, re.DOTALL):
        return data, "image/svg+xml", "svg"
    raise ConvergenceError(
        f"{where} shows {shown}, which is no picture. To mend: give a PNG, JPEG, GIF, WebP or SVG file."
    )


def without_remote_pictures(body: str) -> str:
    """A page's body in which every picture that is not in the page is replaced by its description and a note."""
    return _SHOWN.sub(_own_or_told, body)


def _own_or_told(match: re.Match[str]) -> str:
    parts = {name.lower(): one or two or three for name, one, two, three in _PART.findall(match.group())}
    if parts.get("src", "").lstrip().lower().startswith("data:image/"):
        return match.group()
    # an attribute is escaped as it stands; what it says is escaped anew
    told = html.escape(html.unescape(parts.get("alt", "")).strip() or "without a description")
    return f'<span class="small">[picture not in the publication: {told}]</span>'
