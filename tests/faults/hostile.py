"""Hostile picture files: what broken cards, careless programs and ill will make of photos. Seeded, so alike each time.

Each maker takes small sound pictures and a random generator and gives an ending and bytes. Structures are forged by the
public layouts: ITU-T T.81 (JPEG), W3C PNG, TIFF 6.0, CIPA DC-008 (Exif), ISO/IEC 14496-12 (boxes of HEIC).
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable, Iterator
from functools import cache

import numpy as np
from PIL import Image

Rng = np.random.Generator
Made = tuple[str, bytes]
MAKERS: list[Callable[[Rng], Made]] = []


def hostile(n: int, seed: int = 0) -> Iterator[tuple[str, bytes]]:
    """Names and contents of ``n`` files; every kind of fault in turn."""
    for i in range(n):
        maker = MAKERS[i % len(MAKERS)]
        ending, data = maker(np.random.default_rng([seed, i]))
        yield f"{i:04d}_{maker.__name__}.{ending}", data


def maker(function: Callable[[Rng], Made]) -> Callable[[Rng], Made]:
    MAKERS.append(function)
    return function


# ---- sound pictures


@cache
def picture(width: int = 200, height: int = 150) -> Image.Image:
    y, x = np.mgrid[:height, :width]
    noise = np.random.default_rng(1).integers(0, 40, (height, width, 3))
    return Image.fromarray((np.stack([x % 200, y % 200, (x + y) % 200], 2) + noise).astype(np.uint8))


@cache
def sound(form: str, **options: object) -> bytes:
    out = io.BytesIO()
    mode = str(options.pop("mode", "RGB"))
    if form == "HEIF":
        from pillow_heif import register_heif_opener

        register_heif_opener()
    picture().convert(mode).save(out, form, **options)
    return out.getvalue()


ENDINGS = {"JPEG": "jpg", "PNG": "png", "TIFF": "tif", "HEIF": "heic"}
FORMS = tuple(ENDINGS)


def any_sound(rng: Rng) -> tuple[str, bytearray]:
    form = FORMS[rng.integers(4)]
    options = {"JPEG": ({}, {"progressive": True}, {"mode": "CMYK"}), "TIFF": ({}, {"compression": "tiff_lzw"},
               {"compression": "jpeg"}, {"compression": "tiff_adobe_deflate"})}.get(form, ({},))  # fmt: skip
    return ENDINGS[form], bytearray(sound(form, **options[rng.integers(len(options))]))


def flip(data: bytearray, rng: Rng, n: int, within: int | None = None, after: int = 0) -> bytes:
    for at in rng.integers(after, min(len(data), within or len(data)), n):
        data[at] ^= 1 << int(rng.integers(8))
    return bytes(data)


# ---- faults of any file


@maker
def flipped_header(rng: Rng) -> Made:
    ending, data = any_sound(rng)
    return ending, flip(data, rng, int(rng.integers(1, 12)), within=400)


@maker
def flipped(rng: Rng) -> Made:
    ending, data = any_sound(rng)
    return ending, flip(data, rng, int(rng.integers(1, 60)))


@maker
def cut(rng: Rng) -> Made:
    ending, data = any_sound(rng)
    return ending, bytes(data[: int(len(data) * rng.random())])


@maker
def overwritten(rng: Rng) -> Made:
    """A stretch of zeros, of 0xFF or of noise, as a failing card gives."""
    ending, data = any_sound(rng)
    at, n = int(rng.integers(2, len(data))), int(rng.integers(1, 4096))
    data[at : at + n] = (bytes(n), b"\xff" * n, rng.bytes(n))[rng.integers(3)]
    return ending, bytes(data)


@maker
def spliced(rng: Rng) -> Made:
    """The head of one file and the tail of another."""
    ending, a = any_sound(rng)
    _, b = any_sound(rng)
    at = int(rng.integers(4, min(len(a), len(b))))
    return ending, bytes(a[:at] + b[at:])


@maker
def doubled_bytes(rng: Rng) -> Made:
    ending, data = any_sound(rng)
    at, n = int(rng.integers(0, len(data))), int(rng.integers(1, 300))
    return ending, bytes(data[:at] + data[at : at + n] * int(rng.integers(2, 50)) + data[at:])


@maker
def forged_numbers(rng: Rng) -> Made:
    """Extreme 16 and 32-bit numbers in the header, where sizes, counts and offsets are."""
    ending, data = any_sound(rng)
    for at in rng.integers(8, min(len(data) - 4, 300), int(rng.integers(1, 4))):
        word = (b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", bytes(4), b"\x80\0\0\0", b"\xff\xff", b"\0\0")[
            rng.integers(6)
        ]
        data[at : at + len(word)] = word
    return ending, bytes(data)


@maker
def empty(rng: Rng) -> Made:
    return ENDINGS[FORMS[rng.integers(4)]], b""


@maker
def noise(rng: Rng) -> Made:
    magic = (b"", b"\xff\xd8\xff\xe1", b"\x89PNG\r\n\x1a\n", b"II*\0\x08\0\0\0", b"MM\0*\0\0\0\x08", b"II+\0\x08\0\0\0",
             b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", b"\xff\xd8\xff\xda")[rng.integers(8)]  # fmt: skip
    return ENDINGS[FORMS[rng.integers(4)]], magic + rng.bytes(int(rng.integers(1, 5000)))


@maker
def another_kind(rng: Rng) -> Made:
    """Files of other kinds under the name of a photo; some would start other programs if they were opened blindly."""
    ending = ENDINGS[FORMS[rng.integers(4)]]
    frames = [picture(40, 30).copy(), picture(40, 30).rotate(180)]
    out = io.BytesIO()
    kind = int(rng.integers(12))
    if kind < 5:
        form = ("GIF", "WEBP", "BMP", "ICO", "PPM")[kind]
        frames[0].save(out, form, **({"save_all": True, "append_images": frames[1:]} if kind < 2 else {}))
        return ending, out.getvalue()
    return ending, (
        b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 99 99\n%%EndComments\n{} loop\n%%EOF\n",
        b"%PDF-1.4\n1 0 obj<</Type/Catalog>>endobj\ntrailer<</Root 1 0 R>>\n%%EOF",
        b"<svg xmlns='http://www.w3.org/2000/svg' width='99999' height='99999'/>",
        b"PK\x03\x04" + bytes(100),
        b"plot,row,position_cm\n1,1,4.5\n",
        b"8BPS\0\1" + bytes(6) + struct.pack(">HIIHH", 3, 30000, 30000, 8, 3) + bytes(64),
        b"SIMPLE  =                    T" + b" " * 2900,
    )[kind - 5]


@maker
def another_ending(rng: Rng) -> Made:
    _, data = any_sound(rng)
    return ENDINGS[FORMS[rng.integers(4)]], bytes(data)


@maker
def odd_shape(rng: Rng) -> Made:
    """Sound files that no plant fits into."""
    size = ((1, 1), (1, 60000), (60000, 1), (3, 5), (30000, 12), (12, 30000), (8, 8), (64, 2))[rng.integers(8)]
    out = io.BytesIO()
    form = FORMS[rng.integers(3)]
    Image.new("RGB", size, (90, 80, 60)).save(out, form)
    return ENDINGS[form], out.getvalue()


@maker
def other_colours(rng: Rng) -> Made:
    """CMYK, palettes, 1, 16 and 32 bits, alpha, several pictures: sound, and not what a camera writes."""
    kind = int(rng.integers(10))
    out = io.BytesIO()
    if kind < 5:
        mode, form = (("P", "PNG"), ("LA", "PNG"), ("CMYK", "JPEG"), ("1", "TIFF"), ("CMYK", "TIFF"))[kind]
        picture().convert(mode).save(out, form)
        return ENDINGS[form], out.getvalue()
    grey = np.asarray(picture().convert("L"))
    if kind == 5:
        deep = Image.fromarray(grey.astype(np.uint16) * 200)
        deep.save(out, "PNG")
        return "png", out.getvalue()
    if kind == 6:
        wild = grey.astype(np.float32) * np.float32(rng.choice([1e30, -1.0, np.nan, np.inf]))
        Image.fromarray(wild).save(out, "TIFF")
        return "tif", out.getvalue()
    form, ending = (("PNG", "png"), ("TIFF", "tif"), ("MPO", "jpg"))[kind - 7]
    picture().copy().save(out, form, save_all=True, append_images=[picture(64, 48).copy(), picture(48, 64).copy()])
    return ending, out.getvalue()


# ---- JPEG


def jpeg_segments(data: bytes) -> tuple[list[bytes], bytes]:
    """Segments up to the first scan, and the rest."""
    at, out = 2, []
    while data[at + 1] != 0xDA:
        n = 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        out.append(data[at : at + n])
        at += n
    return out, data[at:]


@maker
def jpeg_size(rng: Rng) -> Made:
    """The frame header claims another size."""
    data = bytearray(sound("JPEG", **({"progressive": True} if rng.random() < 0.5 else {})))
    at = max(data.find(b"\xff\xc0"), data.find(b"\xff\xc2"))
    size = ((65535, 65535), (0, 0), (0, 200), (150, 0), (1, 1), (15000, 16000), (150, 201), (8, 65535))[rng.integers(8)]
    data[at + 5 : at + 9] = struct.pack(">HH", *size)
    return "jpg", bytes(data)


@maker
def jpeg_segment(rng: Rng) -> Made:
    """Segments lost, doubled, shuffled, or of forged length."""
    parts, rest = jpeg_segments(sound("JPEG"))
    kind, i = int(rng.integers(4)), int(rng.integers(len(parts)))
    if kind == 0:
        del parts[i]
    elif kind == 1:
        parts += [parts[i]] * 300
    elif kind == 2:
        parts = [parts[k] for k in rng.permutation(len(parts))]
    else:
        parts[i] = parts[i][:2] + struct.pack(">H", int(rng.choice([0, 1, 2, 3, 0xFFFF]))) + parts[i][4:]
    return "jpg", b"\xff\xd8" + b"".join(parts) + rest


@maker
def jpeg_scans(rng: Rng) -> Made:
    """A progressive file with very many scans over a large picture: little to read, long to decode."""
    parts, rest = jpeg_segments(sound("JPEG", progressive=True))
    for k, part in enumerate(parts):
        if part[1] == 0xC2:
            parts[k] = part[:5] + struct.pack(">HH", 12000, 16000) + part[9:]
    end = rest.find(b"\xff", 4)
    while rest[end + 1] == 0:
        end = rest.find(b"\xff", end + 1)
    scan = rest[: 2 + int.from_bytes(rest[2:4], "big")] + b"\0"
    return "jpg", b"\xff\xd8" + b"".join(parts) + scan * int(rng.integers(500, 4000)) + b"\xff\xd9"


@maker
def jpeg_tail(rng: Rng) -> Made:
    """Cut, and with an end marker all the same; or with much behind the end."""
    data = sound("JPEG")
    if rng.random() < 0.5:
        return "jpg", data[: int(len(data) * (0.2 + 0.7 * rng.random()))] + b"\xff\xd9"
    return "jpg", data + rng.bytes(int(rng.integers(1, 200_000))) + sound("JPEG")[:3000]


# ---- EXIF


def ifd(entries: list[tuple[int, int, int, bytes]], following: int = 0, order: str = ">") -> bytes:
    body = b"".join(
        struct.pack(order + "HHI", tag, kind, n) + value[:4].ljust(4, b"\0") for tag, kind, n, value in entries
    )
    return struct.pack(order + "H", len(entries)) + body + struct.pack(order + "I", following)


def exif(rng: Rng) -> bytes:
    """A forged EXIF block, as TIFF."""
    kind = int(rng.integers(9))
    here = struct.pack(">I", 8)
    if kind == 0:  # every pointer leads back to the first directory
        entries = [(tag, 4, 1, here) for tag in (0x8769, 0x8825, 0xA005, 0x014A)]
        return b"MM\0*\0\0\0\x08" + ifd(entries, following=8)
    if kind == 1:  # orientation beyond the standard, of every type
        value = rng.bytes(4)
        return b"MM\0*\0\0\0\x08" + ifd([(0x0112, int(rng.integers(0, 20)), int(rng.choice([0, 1, 2, 2**31])), value)])
    if kind == 2:  # texts with control characters, escapes for terminals, changes of direction, formulas
        text = [
            "\x1b[2J\x07\x1b]0;x\x07",
            "a\r\nb\tc\0d",
            "=cmd|' /C calc'!A0",
            "\u202eoff\u200b",
            "<script>x</script>",
        ]
        words = text[rng.integers(5)].encode() * int(rng.choice([1, 3000]))
        start = 8 + 2 + 12 * 3 + 4
        entries = [(tag, 2, len(words), struct.pack(">I", start)) for tag in (0x010F, 0x0110, 0x0132)]
        return b"MM\0*\0\0\0\x08" + ifd(entries) + words
    if kind == 3:  # counts and offsets far outside
        entries = [
            (int(rng.choice([0x010F, 0x0110, 0x0112, 0x0132, 0x8769, 0xA405])), int(rng.integers(1, 13)),
             int(rng.choice([2**32 - 1, 2**31, 10**6])), rng.bytes(4))
            for _ in range(5)
        ]  # fmt: skip
        return b"MM\0*\0\0\0\x08" + ifd(entries, following=int(rng.integers(2**32)))
    if kind == 4:  # focal lengths that no lens has: as short, long, rational with zero, float, double
        start = 8 + 2 + 12 + 4
        what, n = int(rng.choice([3, 4, 5, 10, 11, 12])), 1
        detail = ifd([(0xA405, what, n, struct.pack(">I", start + 18) if what in (5, 10, 12) else rng.bytes(4))])
        number = (struct.pack(">II", 0, 0), struct.pack(">II", 1, 0), struct.pack(">d", np.inf), b"\xff" * 8)[
            rng.integers(4)
        ]
        return b"MM\0*\0\0\0\x08" + ifd([(0x8769, 4, 1, struct.pack(">I", start))]) + detail + number
    if kind == 5:  # a very long directory
        return b"MM\0*\0\0\0\x08" + ifd([(int(t), 4, 1, here) for t in rng.integers(0, 65536, 3000)])
    if kind == 6:  # a chain of directories that ends where it began
        places = [8 + 18 * k for k in range(200)]
        return b"II*\0\x08\0\0\0" + b"".join(
            ifd([(0x0112, 3, 1, b"\1\0")], places[(k + 1) % 200], "<") for k in range(200)
        )
    if kind == 7:
        return b"II*\0" + rng.bytes(int(rng.integers(4, 3000)))
    return bytes(int(rng.integers(0, 40)))


@maker
def exif_in_jpeg(rng: Rng) -> Made:
    block = b"Exif\0\0" + exif(rng)[:65000]
    return "jpg", b"\xff\xd8\xff\xe1" + struct.pack(">H", len(block) + 2) + block + sound("JPEG")[2:]


@maker
def exif_in_png(rng: Rng) -> Made:
    parts = png_chunks(sound("PNG"))
    return "png", png([parts[0], (b"eXIf", exif(rng)), *parts[1:]])


@maker
def exif_in_heic(rng: Rng) -> Made:
    from pillow_heif import register_heif_opener

    register_heif_opener()
    out = io.BytesIO()
    picture(64, 48).copy().save(out, "HEIF", exif=b"Exif\0\0" + exif(rng))
    return "heic", out.getvalue()


# ---- PNG


def png_chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    at, out = 8, []
    while at < len(data):
        n = int.from_bytes(data[at : at + 4], "big")
        out.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + n]))
        at += 12 + n
    return out


def png(chunks: list[tuple[bytes, bytes]]) -> bytes:
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body)) for kind, body in chunks
    )


@maker
def png_bomb(rng: Rng) -> Made:
    """Small files that unpack to much: as large as the limit allows, larger, or in a text or colour profile."""
    kind = int(rng.integers(5))
    width, height = ((15800, 15800), (40000, 40000), (2**31 - 1, 2**31 - 1), (250_000_000, 1), (200, 150))[kind]
    depth, colour = ((8, 2), (16, 6), (1, 0), (8, 3), (16, 2))[rng.integers(5)]
    header = (b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, int(rng.integers(2))))
    chunks = [header, *([(b"PLTE", bytes(768))] if colour == 3 else [])]
    if kind == 4:
        packed = zlib.compress(bytes(80_000_000), 9)
        chunks.append(
            [(b"zTXt", b"a\0\0" + packed), (b"iCCP", b"a\0\0" + packed), (b"iTXt", b"a\0\1\0\0\0" + packed)][
                rng.integers(3)
            ]
        )
    chunks += [(b"IDAT", zlib.compress(bytes(30_000_000), 9))] + ([(b"IEND", b"")] if rng.random() < 0.7 else [])
    return "png", png(chunks)


@cache
def full_bomb() -> bytes:
    """240 megapixels of 16-bit colour, whole: 1.4 GB out of 1.4 MB."""
    squeeze = zlib.compressobj(9)
    row = bytes(1 + 16000 * 6)
    packed = b"".join(squeeze.compress(row) for _ in range(15000)) + squeeze.flush()
    return png([(b"IHDR", struct.pack(">IIBBBBB", 16000, 15000, 16, 2, 0, 0, 0)), (b"IDAT", packed), (b"IEND", b"")])


@maker
def png_header(rng: Rng) -> Made:
    """Sizes, depths and colour types that do not fit the data, checksums right."""
    parts = png_chunks(sound("PNG"))
    head = bytearray(parts[0][1])
    head[8:13] = bytes(
        int(v)
        for v in (
            rng.choice([1, 2, 4, 8, 16, 3]),
            rng.choice([0, 2, 3, 4, 6, 5]),
            rng.integers(2),
            rng.integers(2),
            rng.integers(3),
        )
    )
    if rng.random() < 0.5:
        head[:8] = struct.pack(">II", *(int(v) for v in rng.choice([0, 1, 149, 151, 200, 5000, 2**31 - 1], 2)))
    return "png", png([(b"IHDR", bytes(head)), *parts[1:]])


@maker
def png_chunk(rng: Rng) -> Made:
    """Chunks lost, doubled, shuffled, spoilt with right checksums, or of forged length."""
    parts = png_chunks(sound("PNG"))
    kind = int(rng.integers(5))
    if kind == 0:
        parts = [parts[k] for k in rng.permutation(len(parts))]
    elif kind == 1:
        parts[1:1] = [(b"tEXt", b"a\0b")] * 5000
    elif kind == 2:
        parts = [(name, flip(bytearray(body), rng, 5) if body else body) for name, body in parts]
    elif kind == 3:
        parts[1:1] = [(b"acTL", struct.pack(">II", 2**31, 0)), (b"fcTL", rng.bytes(26)), (b"fdAT", rng.bytes(90))]
    data = bytearray(png(parts))
    if kind == 4:
        data[33:37] = struct.pack(">I", int(rng.choice([0, 2**31 - 1, 2**32 - 1])))
    return "png", bytes(data)


# ---- TIFF


@maker
def tiff_tags(rng: Rng) -> Made:
    """A TIFF of forged tags: sizes, strips, tiles, bits, compression; directories in a ring."""
    values = {
        256: rng.choice([0, 1, 200, 15000, 65535, 2**31]),
        257: rng.choice([0, 1, 150, 15000, 2**32 - 1]),
        258: rng.choice([0, 1, 8, 16, 32, 64, 65535]),
        259: rng.choice([1, 2, 3, 4, 5, 6, 7, 8, 32773, 34712, 50001]),
        262: rng.choice([0, 1, 2, 3, 5, 6, 8, 32803]),
        273: rng.choice([0, 8, 200, 2**32 - 1]),
        274: rng.choice([0, 1, 6, 9, 60000]),
        277: rng.choice([0, 1, 3, 4, 65535]),
        278: rng.choice([0, 1, 150, 2**32 - 1]),
        279: rng.choice([0, 1, 90000, 2**32 - 1]),
        284: rng.choice([1, 2, 3]),
        317: rng.choice([1, 2, 3, 9]),
        339: rng.choice([1, 2, 3, 9]),
    }
    if rng.random() < 0.4:
        values |= {322: rng.choice([0, 1, 16, 60000, 2**31]), 323: rng.choice([0, 16, 60000]), 324: 300, 325: 90000}
    drop = rng.choice(sorted(values), int(rng.integers(0, 4)), replace=False)
    entries = [(t, 4, 1, struct.pack("<I", int(v))) for t, v in sorted(values.items()) if t not in drop]
    following = int(rng.choice([0, 8, 2**32 - 1]))
    return "tif", b"II*\0\x08\0\0\0" + ifd(entries, following, "<") + rng.bytes(90000)


@maker
def tiff_flipped(rng: Rng) -> Made:
    """Spoilt directories; they lie at the end of the file or at its start, as the writer likes."""
    kind = ({}, {"compression": "tiff_lzw"}, {"compression": "jpeg"}, {"big_tiff": True}, {"compression": "packbits"})
    data = bytearray(sound("TIFF", **kind[rng.integers(5)]))
    where = int.from_bytes(data[4:8], "little") if data[2] == 42 else int.from_bytes(data[8:16], "little")
    return "tif", flip(data, rng, int(rng.integers(1, 8)), within=where + 250, after=where)


@maker
def tiff_bomb(rng: Rng) -> Made:
    """Large pictures out of few bytes; the same strip for every line."""
    out = io.BytesIO()
    size = ((15000, 16000), (20000, 20000), (9000, 9000))[rng.integers(3)]
    Image.new("1", size).save(out, "TIFF", compression=("group4", "tiff_lzw", "packbits")[rng.integers(3)])
    return "tif", out.getvalue()


# ---- HEIC


@maker
def heic_size(rng: Rng) -> Made:
    """The image spatial extents claim another size."""
    data = bytearray(sound("HEIF"))
    at = data.find(b"ispe") + 8
    data[at : at + 8] = struct.pack(
        ">II", *(int(v) for v in rng.choice([0, 1, 64, 201, 15000, 65535, 2**31 - 1, 2**32 - 1], 2))
    )
    return "heic", bytes(data)


@maker
def heic_box(rng: Rng) -> Made:
    """Boxes of forged size, or of another name."""
    data = bytearray(sound("HEIF"))
    names = [b"ftyp", b"meta", b"hdlr", b"pitm", b"iloc", b"iinf", b"iprp", b"ipco", b"hvcC", b"ispe", b"ipma", b"mdat"]
    at = data.find(names[rng.integers(len(names))])
    if rng.random() < 0.7:
        data[at - 4 : at] = struct.pack(">I", int(rng.choice([0, 1, 7, 8, 9, 2**31, 2**32 - 1])))
    else:
        data[at : at + 4] = names[rng.integers(len(names))]
    return "heic", flip(data, rng, int(rng.integers(0, 3)), within=at + 60, after=at)
