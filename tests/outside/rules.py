"""Standards and other programs that ours is held to by whole rules: packets, codes, pages."""

from haunt.site import passwords, qr
from haunt.site.lists import instant
from haunt.site.paper import ink, joincard
from haunt.wire import packets
from tests.mqtt import attacks
from tests.outside.rows import Proof, Row, Side

V, L, M, P = Proof.VERIFIED, Proof.LIBRARY, Proof.MEMORY, Proof.PRACTICE
A = Proof.ARITHMETIC
OASIS = "OASIS MQTT 3.1.1, from memory"
OWASP = "OWASP Password Storage Cheat Sheet, its summary quoted on a link page"
NIST = "NIST SP 800-63B (revision 3), 5.1.1.2"


def _rule(name: str, what: str, source: str, proof: Proof) -> Row:
    """A rule that a test holds ours to, case by case; no case may break it."""
    return Row(name, what, source, proof)


BELOW = ("", "/ranking", "/score/wimbledon")


def _takes(wanted: str, topic: str) -> float:
    return float(attacks.matches(wanted.encode(), topic.encode()))


_WIRE = [
    _rule("mqtt/controller", "packets of the controller, byte by byte", OASIS, M),
    _rule("mqtt/board", "packets of the firmware, byte by byte", f"{OASIS}, chapter 3", M),
    Row(
        "mqtt/length",
        "bytes that say how long a packet is, read as one number",
        "OASIS MQTT 3.1.1 table 2.4, copied in an issue; 321: the protocol's wiki",
        V,
        table=(
            *((127, 0x7F), (128, 0x8001), (321, 0xC102), (16_383, 0xFF7F)),
            *((16_384, 0x808001), (2_097_151, 0xFFFF7F), (2_097_152, 0x80808001)),
        ),
        ours=lambda size: int.from_bytes(packets.packet(packets.PUBLISH, 0, bytes(size))[1:-size]),
    ),
    _rule("mqtt/broken", "broken packets end the connection", f"{OASIS}, chapters 2 and 3", M),
    _rule("mqtt/amqtt", "random messages as another codec writes them", "amqtt's packets", L),
    Row(
        "mqtt/examples",
        "the standard's own examples of filters and topics, by the model of the attacks",
        "OASIS MQTT 3.1.1, 4.7.1, quoted in public source files",
        V,
        table=(
            *(("sport/tennis/player1/#", "sport/tennis/player1" + each, 1) for each in BELOW),
            *(("sport/#", "sport", 1), ("sport/+", "sport", 0), ("sport/+", "sport/", 1)),
            *(("sport/tennis/+", f"sport/tennis/player{each}", 1) for each in (1, 2)),
            ("sport/tennis/+", "sport/tennis/player1/ranking", 0),
            *(("+/+", "/finance", 1), ("/+", "/finance", 1), ("+", "/finance", 0)),
        ),
        ours=_takes,
    ),
    _rule("mqtt/filters", "the same model, tried on Mosquitto", "Mosquitto", L),
    _rule("mqtt/model", "the model of filters, every filter and topic tried", "paho", L),
    _rule(
        "micropython/vectors",
        "golden payloads, steps and levels on both interpreters",
        "MicroPython's Unix port, CPython",
        L,
    ),
    _rule("schemas/golden", "golden payloads are taken and refused alike", "jsonschema", L),
    _rule("schemas/meta", "each schema is one of the draft 2020-12", "jsonschema", L),
    _rule(
        "asyncapi/document",
        "the AsyncAPI document is one by its schema",
        "AsyncAPI Initiative, 3.0.0.json (with jsonschema)",
        V,
    ),
    _rule("asyncapi/golden", "golden payloads by the document's schemas", "jsonschema", L),
    _rule("toml/edits", "shows after random edits are read alike", "tomllib", L),
    _rule("json/firmware", "random payloads byte by byte", "json of the standard library", L),
    Row(
        "air/frame",
        "100 bytes and their acknowledgement on the air at 1 Mbit/s",
        "IEEE 802.11b, from memory",
        M,
        unit="us",
        table=((1904,),),
    ),
    _rule(
        "air/motion",
        "a motion over the air costs less than a tenth of a second of listening",
        "currents of the ESP32-PICO-ZERO manual, table 6, and a board maker's page",
        V,
    ),
    Row(
        "reset/words",
        "what MicroPython's causes of a restart are called: 1, 3, 4, 5; others unknown",
        "MicroPython's esp32 and rp2 ports, read in source",
        V,
    ),
]


_SITE = [
    Row(
        "passwords/memory",
        "argon2id, memory",
        OWASP,
        V,
        unit="KiB",
        table=((19_456,),),
        ours=lambda: passwords.HASHER.memory_cost,
        side=Side.LEAST,
    ),
    Row(
        "passwords/time",
        "argon2id, passes",
        OWASP,
        V,
        table=((2,),),
        ours=lambda: passwords.HASHER.time_cost,
        side=Side.LEAST,
    ),
    Row(
        "passwords/lanes",
        "argon2id, lanes",
        OWASP,
        V,
        table=((1,),),
        ours=lambda: passwords.HASHER.parallelism,
        side=Side.LEAST,
    ),
    Row(
        "passwords/length-least",
        "shortest password that is taken",
        f"{NIST}: 8 at least (revision 4 asks 15 where it is the only factor)",
        V,
        unit="letters",
        table=((8,),),
        ours=lambda: passwords.LENGTH_MIN,
        side=Side.LEAST,
    ),
    Row(
        "passwords/length-most",
        "longest password that is taken",
        f"{NIST}: 64 at least",
        V,
        unit="letters",
        table=((64,),),
        ours=lambda: passwords.LENGTH_MAX,
        side=Side.LEAST,
    ),
    _rule("csv/rows", "odd words read back from CSV, lines end in CRLF", "RFC 4180; csv", L),
    _rule("time/rfc-3339", "instants with and without offset, by hand", "RFC 3339, from memory", M),
    Row(
        "time/rfc-3339-examples",
        "ms since 1970 of the examples (its leap seconds are refused in words)",
        "RFC 3339 5.8, in tests of public libraries",
        V,
        unit="ms",
        table=(
            ("1985-04-12T23:20:50.52Z", 482_196_050_520),
            ("1996-12-19T16:39:57-08:00", 851_042_397_000),
            ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
        ),
        ours=lambda text: instant(text, "since") or 0,
    ),
    _rule(
        "problems/json", "refusals are application/problem+json", "RFC 9457 3, quoted in source", V
    ),
    _rule(
        "metrics/format",
        "every line of /metrics, names and units",
        "exposition format 0.0.4 and naming rules, read 2026-11",
        V,
    ),
    _rule(
        "openapi/document",
        "the description of the HTTP API is one by its schema",
        "OpenAPI Initiative's schema of 3.1, as schemathesis carries it",
        L,
    ),
    _rule("http/openapi", "requests drawn from the API's description", "schemathesis", L),
    _rule("certificates/openssl", "names, purpose and days, strictly", "OpenSSL verify", L),
]


_PAPER = [
    _rule("codes/labels", "labels are read by a decoder", "pypdfium2 and zxing-cpp", L),
    _rule("codes/card", "join cards likewise, odd letters too", "pypdfium2 and zxing-cpp", L),
    Row(
        "codes/quiet-zone",
        "quiet zone of a code, on pages and on paper",
        "ISO/IEC 18004:2015 6.3.8, as a page on it and the code's inventor print it",
        V,
        unit="modules",
        table=((0, 4), (1, 4)),
        ours=lambda which: (qr.QUIET, ink.QUIET)[which],
    ),
    Row(
        "codes/network-name",
        "longest name of a network",
        "IEEE 802.11-2007 7.3.2.1, quoted on an answer site",
        V,
        unit="bytes",
        table=((32,),),
        ours=lambda: joincard.NAME_BYTES_MAX,
    ),
    Row(
        "codes/network-password",
        "shortest and longest password of a network",
        "IEEE 802.11i, quoted on an answer site",
        V,
        unit="letters",
        table=((0, 8), (1, 63)),
        ours=lambda which: joincard.PASSWORD_CHARS[which],
    ),
    Row(
        "paper/sizes",
        "width and height of A4 and of US letter as a viewer finds them",
        "ISO 216 and 8.5 x 11 in, in two articles (with pypdfium2)",
        V,
        0.05,
        "mm",
        (
            ("a4", "width", 210),
            ("a4", "height", 297),
            ("letter", "width", 215.9),
            ("letter", "height", 279.4),
        ),
    ),
    Row(
        "paper/labels",
        "labels a sheet, A4 and letter",
        "usual label sheets: common practice, no source",
        P,
        table=(("a4", 8), ("letter", 10)),
    ),
    Row(
        "paper/code-size",
        "a code that a phone reads at arm's length",
        "common practice, no source",
        P,
        0,
        "mm",
        ((18,),),
        side=Side.LEAST,
    ),
]


_PAGES = [
    Row(
        "contrast/inks",
        "each ink on each ground in three themes",
        "WCAG 2.x 1.4.3, formula and 4.5:1 as a library's page quotes W3C",
        V,
        table=((4.5,),),
        side=Side.LEAST,
    ),
    _rule("axe/pages", "pages on a phone and a laptop, in every theme", "axe-core", L),
    _rule("axe/states", "pages stopped, empty and stale", "axe-core", L),
    _rule("axe/alerts", "pages with alerts", "axe-core", L),
    _rule(
        "targets/height",
        "whatever is pressed is 48 px high, twice what WCAG 2.2 asks for in 2.5.8",
        "common practice, no source",
        P,
    ),
    _rule("manual/sums", "the manual's worked sums", "by hand, from the formulas", A),
]


_WORKSHOP = [
    _rule(
        "practice/carrier",
        "a carrier for 6.5 to 16 V that failed at 15 V is warned of",
        "common practice, no source",
        P,
    ),
    _rule(
        "practice/shared-supply",
        "5 V of 2 A for all restarts when a 2 A motor stalls",
        "common practice, no source",
        P,
    ),
    _rule(
        "practice/dark-walk",
        "6 m in the dark at 0.5 to 1.2 m/s",
        "common practice, no source",
        P,
    ),
    _rule(
        "sound/findings",
        "a speaker that is too loud 10 m away is told from 20 dB above the limit",
        "ISO 9613-2:1996 7.1, quoted in a noise manual",
        V,
    ),
    _rule(
        "pins/judged",
        "what is said against a pin's use",
        "data sheets and guides of the three chips",
        V,
    ),
]


ROWS = [*_WIRE, *_SITE, *_PAPER, *_PAGES, *_WORKSHOP]
