"""XMP packets: what a packet says already, completed.

Sources: ISO 16684-1:2019 (XMP data model, RDF/XML serialization, packet wrapper); IPTC Photo Metadata
Standard (property Digital Source Type of its extension schema) and the IPTC NewsCodes vocabulary
`digitalsourcetype`; Exif metadata for XMP (CIPA DC-010). Names and addresses are written down from memory.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
XMP = "http://ns.adobe.com/xap/1.0/"
DC = "http://purl.org/dc/elements/1.1/"
TIFF = "http://ns.adobe.com/tiff/1.0/"
EXIF = "http://ns.adobe.com/exif/1.0/"
EXIF_EX = "http://cipa.jp/exif/1.0/"
IPTC_EXTENSION = "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"
OWN = "urn:belvedere:picture:1.0#"
"""Properties that no standard has: fieldOfViewHorizontal, fieldOfViewVertical (degrees), projection."""

SOURCE_TYPES = "http://cv.iptc.org/newscodes/digitalsourcetype/"
COMPOSITE_CAPTURE = SOURCE_TYPES + "compositeCapture"
"""A composite of elements that are all captures of real life."""
COMPOSITE_SYNTHETIC = SOURCE_TYPES + "compositeSynthetic"
"""A composite of elements of which at least one is synthetic."""

_META = "adobe:ns:meta/"
_PREFIXES = {
    "x": _META,
    "rdf": RDF,
    "xmp": XMP,
    "dc": DC,
    "tiff": TIFF,
    "exif": EXIF,
    "exifEX": EXIF_EX,
    "Iptc4xmpExt": IPTC_EXTENSION,
    "belvedere": OWN,
}
_HEAD = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
_TAIL = '\n<?xpacket end="w"?>'
_ROOM = 2048  # blanks in which others may write; ISO 16684-1 recommends 2 to 4 KB (from memory)

# These tell of another file's samples; the TIFF's own tags tell of this one's.
_STALE = {
    *(f"{{{TIFF}}}{name}" for name in ("ImageWidth", "ImageLength", "BitsPerSample", "Compression")),
    *(f"{{{TIFF}}}{name}" for name in ("PhotometricInterpretation", "Orientation", "SamplesPerPixel")),
    *(
        f"{{{TIFF}}}{name}"
        for name in ("PlanarConfiguration", "XResolution", "YResolution", "ResolutionUnit")
    ),
    *(f"{{{EXIF}}}{name}" for name in ("PixelXDimension", "PixelYDimension")),
    f"{{{DC}}}format",
    f"{{{XMP}}}Thumbnails",
}


@dataclass(frozen=True, slots=True)
class Property:
    """One simple property.

    Parameters
    ----------
    namespace, name, value : str
    replaces : bool
        Whether it takes the place of one that is there, or gives way to it.
    """

    namespace: str
    name: str
    value: str
    replaces: bool = True


def xmp_packet(before: bytes | None, properties: Sequence[Property]) -> tuple[bytes, bool]:
    """A packet with all that `before` says and these properties.

    Parameters
    ----------
    before : bytes or None
        A packet, with or without its wrapper.
    properties : sequence of Property

    Returns
    -------
    packet : bytes
        UTF-8; the same for the same arguments.
    kept : bool
        False where `before` is damaged and could not be kept.
    """
    for prefix, namespace in _PREFIXES.items():
        ElementTree.register_namespace(prefix, namespace)
    root = _parsed(before) if before else None
    kept = root is not None or not before
    rdf = _rdf_of(root)
    if root is None or rdf is None:
        kept = not before
        root = ElementTree.Element(f"{{{_META}}}xmpmeta")
        rdf = ElementTree.SubElement(root, f"{{{RDF}}}RDF")
    own = ElementTree.Element(f"{{{RDF}}}Description", {f"{{{RDF}}}about": _about(rdf)})
    for wanted in properties:
        name = f"{{{wanted.namespace}}}{wanted.name}"
        if wanted.replaces:
            _remove(rdf, {name})
        elif _has(rdf, name):
            continue
        ElementTree.SubElement(own, name).text = wanted.value
    _remove(rdf, _STALE)
    rdf.append(own)
    text = ElementTree.tostring(root, encoding="unicode")
    return (_HEAD + text + "\n" + " " * _ROOM + _TAIL).encode(), kept


def xmp_value(packet: bytes | None, namespace: str, name: str) -> str | None:
    """The value of a simple property; None where the packet has none, or is none."""
    rdf = _rdf_of(_parsed(packet)) if packet else None
    if rdf is None:
        return None
    wanted = f"{{{namespace}}}{name}"
    for description in rdf.iter(f"{{{RDF}}}Description"):
        if wanted in description.attrib:
            return description.attrib[wanted]
        found = description.find(wanted)
        if found is not None:
            return found.attrib.get(f"{{{RDF}}}resource", (found.text or "").strip())
    return None


def _parsed(packet: bytes) -> ElementTree.Element | None:
    data = packet.strip(b" \t\r\n\0")
    if b"<!" in data.replace(b"<!--", b""):  # a packet has no document type, and none is expanded here
        return None
    try:
        for _, (prefix, namespace) in ElementTree.iterparse(io.BytesIO(data), ["start-ns"]):
            _keep_prefix(str(prefix), str(namespace))
        return ElementTree.fromstring(data)
    except (ElementTree.ParseError, ValueError, LookupError):
        return None
    finally:
        for prefix, namespace in _PREFIXES.items():
            ElementTree.register_namespace(prefix, namespace)


def _keep_prefix(prefix: str, namespace: str) -> None:
    """What was called by a prefix goes on being called so, where that can be."""
    if prefix and prefix not in _PREFIXES and namespace not in _PREFIXES.values():
        try:
            ElementTree.register_namespace(prefix, namespace)
        except ValueError:  # kept for prefixes made up when writing
            return


def _rdf_of(root: ElementTree.Element | None) -> ElementTree.Element | None:
    if root is None:
        return None
    return root if root.tag == f"{{{RDF}}}RDF" else root.find(f"{{{RDF}}}RDF")


def _about(rdf: ElementTree.Element) -> str:
    """All descriptions of a packet speak about one thing, mostly without a name."""
    first = rdf.find(f"{{{RDF}}}Description")
    return first.attrib.get(f"{{{RDF}}}about", "") if first is not None else ""


def _descriptions(rdf: ElementTree.Element) -> Iterator[ElementTree.Element]:
    return iter(rdf.findall(f"{{{RDF}}}Description"))


def _has(rdf: ElementTree.Element, name: str) -> bool:
    return any(name in d.attrib or d.find(name) is not None for d in _descriptions(rdf))


def _remove(rdf: ElementTree.Element, names: set[str]) -> None:
    for description in _descriptions(rdf):
        for name in names & set(description.attrib):
            del description.attrib[name]
        for child in [c for c in description if c.tag in names]:
            description.remove(child)
