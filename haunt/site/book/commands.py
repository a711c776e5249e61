"""Every command of the terminal: what it is for, a line to type, and what its options mean."""

from collections.abc import Mapping
from typing import Final, NamedTuple


class Command(NamedTuple):
    """`options` leaves out those that many commands share; see `SHARED`."""

    what: str
    line: str
    options: Mapping[str, str] = {}


SHARED: Final = {
    "--data": "The folder that holds everything of this show. It is haunt-data if you say nothing.",
    "--database": "Another place for nights and versions than the folder; see Settings.",
    "--json": "Print JSON, for programs.",
    "--progress": "Say how far it is as plain lines, for programs.",
    "--help": "What a command does and takes.",
}

SERVE: Final = {
    "--listen": "Address and port of the pages.",
    "--mqtt": "Address and port of the broker that haunt keeps.",
    "--broker": "auto, library, or mqtt://HOST:PORT of your own.",
    "--broker-ca": "Authority of a mqtts broker's certificate.",
    "--show": "A show file to take in first.",
    "--name": "Names that browsers use for it.",
    "--mdns": "Name announced on the network, or off.",
    "--tls": "auto, on or off.",
    "--webhook": "URL that alerts are posted to.",
    "--log": "warnings, text or json.",
}

COMMANDS: Final[Mapping[str, Command]] = {
    "demo": Command(
        "An invented garden at work, with simulated boards and visitors. Nothing to set up.",
        "haunt demo",
        {
            "--port": "Port of the pages, 8080 if you say nothing; 0 takes any.",
            "--speed": "2 brings twice as many visitors.",
            "--seed": "The same number gives the same visitors.",
            "--no-browser": "Open no browser.",
            "--broker": "auto or library.",
        },
    ),
    "serve": Command(
        "Runs your show: broker, rules, journal, pages. Ctrl-C ends it in order.",
        "haunt serve --data ~/haunt --listen 0.0.0.0:8080 --mqtt 0.0.0.0:1883",
        SERVE,
    ),
    "check": Command(
        "Every fault of a show file at once; without faults the sums: power, pins, sound, flashes.",
        "haunt check my-show.toml",
        {"file": "The show file."},
    ),
    "import": Command(
        "Takes a show file in as the newest version. It refuses while a server runs on the folder: "
        "there, use Plan, Import.",
        "haunt import my-show.toml --data ~/haunt",
        {"file": "The show file."},
    ),
    "export": Command(
        "Prints the show file as it is kept, comments and all.", "haunt export --data ~/haunt"
    ),
    "rehearse": Command(
        "Plays a night with simulated boards and visitors, and holds it to its promises.",
        "haunt rehearse my-show.toml --hours 3 --faults --seed 7",
        {
            "file": "The show file; the example garden if you say nothing.",
            "--faults": "Boards fail, links part, the controller is killed.",
            "--seed": "The same number gives the same night.",
            "--hours": "How long a night.",
            "--groups": "Groups an hour.",
            "--nights": "So many nights: what to expect, in figures.",
        },
    ),
    "rehearse-nights": Command(
        "Rehearses the kept show many times: what to expect, and how far a night may be off it.",
        "haunt rehearse-nights --nights 20 --data ~/haunt",
        {
            "--nights": "How many.",
            "--groups": "Groups a night.",
            "--profile": "evening, street, flat, or own: as on your last nights.",
            "--faults": "Boards fail now and then.",
            "--seed": "The same number gives the same nights.",
            "--jobs": "Processes at once.",
        },
    ),
    "replay": Command(
        "Decides a recorded journal again and shows the first decision that differs.",
        "haunt replay --data ~/haunt",
    ),
    "report": Command(
        "What a night was: groups, refusals, packs, faults, what to charge and mend.",
        "haunt report 2026-10-31 --data ~/haunt",
        {
            "night": "The date on which it opened, YYYY-MM-DD.",
            "--csv": "One line a figure, for a spreadsheet.",
        },
    ),
    "labels": Command(
        "A PDF with a label for every prop and board: code, name, how it is fed.",
        "haunt labels --out labels.pdf --data ~/haunt",
        {
            "--paper": "a4 or letter.",
            "--out": "The file to write.",
            "--address": "Where phones find the pages, for the codes.",
        },
    ),
    "tune": Command(
        "What another cooldown, or other settings of the show, would have given on a recorded "
        "night.",
        "haunt tune gatekeeper --nights 3 --table --data ~/haunt",
        {
            "prop": "A prop's id; every prop if you say nothing.",
            "--nights": "How many of the last nights.",
            "--table": "All that was tried.",
            "--rest": "Every figure side by side with this rest, in seconds.",
            "--patience": "Try other patiences too.",
            "--show": "Stagger, phases and all cooldowns of the whole show.",
            "--jobs": "Processes at once.",
        },
    ),
    "backup": Command(
        "Makes a backup now, or lists them.",
        "haunt backup --data ~/haunt",
        {"--list": "List them instead."},
    ),
    "restore": Command(
        "Puts a backup back. It is tried in a copy first, and what is there now is kept.",
        "haunt restore --check --data ~/haunt",
        {
            "name": "Which backup; latest if you say nothing.",
            "--from": "Another folder that holds backups.",
            "--check": "Only try it.",
            "--at-start": "Do it when the server starts next.",
        },
    ),
    "move": Command(
        "Moves everything into an empty database, all or nothing.",
        "haunt move --to postgresql+psycopg://haunt@127.0.0.1/haunt --data ~/haunt",
        {"--to": "The database."},
    ),
    "certs": Command(
        "An authority for this house and the server's certificate: https from then on.",
        "haunt certs --name haunt.local --name 192.168.1.20 --data ~/haunt",
        {
            "--name": "A name or address that phones use; may be given often.",
            "--renew": "The next certificate, of the same authority.",
        },
    ),
    "doctor": Command(
        "Whether this machine and this folder are ready for a night.",
        "haunt doctor --data ~/haunt",
    ),
    "boards add": Command(
        "Makes a board's password. It is shown once.",
        "haunt boards add gate --data ~/haunt --json",
        {"board": "The board's id."},
    ),
    "boards rotate": Command(
        "A new password; the old one stops working.",
        "haunt boards rotate gate --data ~/haunt",
        {"board": "The board's id."},
    ),
    "boards revoke": Command(
        "Takes a board's password away.",
        "haunt boards revoke gate --data ~/haunt",
        {"board": "The board's id."},
    ),
    "boards list": Command("Which boards have one.", "haunt boards list --data ~/haunt"),
    "boards export": Command(
        "Settings, hashed passwords and rights for a Mosquitto that somebody else keeps.",
        "haunt boards export mosquitto --data ~/haunt",
        {
            "folder": "Where to write.",
            "--at": "The folder in which they will lie on that machine.",
            "--tls": "Port 8883 with a certificate.",
            "--port": "Another port.",
        },
    ),
    "boards play": Command(
        "Without a board: this machine plays it, by the firmware itself. Enter is a visitor.",
        "haunt boards play gate.json",
        {"file": "The board's file, as its page or boards add gave it."},
    ),
    "boards test": Command(
        "Tries whether a board keeps to the wire. Its prop moves: hands clear. End serve first.",
        "haunt boards test gate --prop gatekeeper --data ~/haunt",
        {
            "board": "The board's id.",
            "--prop": "The prop that moves; the gentlest if you say nothing.",
            "--motion-s": "Wait so many seconds for a motion.",
            "--mqtt": "Where boards look for the kept broker.",
            "--broker": "Another broker.",
            "--yes": "Do not ask whether hands are clear.",
        },
    ),
    "lines import": Command(
        "Brings spoken lines into a pool: all of a file, or nothing.",
        "haunt lines import lines.txt --prop gatekeeper --behaviour growl --data ~/haunt",
        {
            "file": "A text with one line each, or CSV with a column line.",
            "--prop": "Whose.",
            "--behaviour": "Of which behaviour.",
        },
    ),
    "lines prepare": Command(
        "Makes new lines out of your own sentences, for people to keep or strike.",
        "haunt lines prepare --prop gatekeeper --behaviour growl --count 20 --data ~/haunt",
        {
            "--prop": "Whose.",
            "--behaviour": "Of which behaviour.",
            "--count": "How many.",
            "--from": "Sentences of yours; the prop's own lines if you say nothing.",
            "--seed": "The same number gives the same lines.",
        },
    ),
    "lines render": Command(
        "Sound files of all lines that are not struck, by espeak-ng.",
        "haunt lines render --out sounds --data ~/haunt",
        {"--out": "The folder to write."},
    ),
    "lines list": Command(
        "Lines with their state and length.",
        "haunt lines list --prop gatekeeper --data ~/haunt",
        {"--prop": "Whose.", "--state": "new, kept or struck."},
    ),
    "people add": Command(
        "Adds a person and prints a link by which they sign in once.",
        "haunt people add Wren --role crew --data ~/haunt",
        {"name": "As others shall see it.", "--role": "watch, crew or owner."},
    ),
    "people link": Command(
        "A new link for somebody who lost their phone.",
        "haunt people link Wren --data ~/haunt",
        {"name": "Who."},
    ),
    "people reset": Command(
        "The way back in for an owner: a link that makes one, or a password anew.",
        "haunt people reset --data ~/haunt",
    ),
    "people list": Command("People, roles, last seen.", "haunt people list --data ~/haunt"),
    "people role": Command(
        "Another role, at once.",
        "haunt people role Wren watch --data ~/haunt",
        {"name": "Who.", "role": "watch, crew or owner."},
    ),
    "people remove": Command(
        "Removes a person and signs them out everywhere.",
        "haunt people remove Wren --data ~/haunt",
        {"name": "Who."},
    ),
    "tokens add": Command(
        "Makes a token for a program. It is shown once.",
        "haunt tokens add --role watch --name screen --data ~/haunt",
        {
            "--role": "What the program may do.",
            "--name": "What it is.",
            "--days": "How many days it works; until ended if you say nothing.",
        },
    ),
    "tokens list": Command("Tokens by how they begin.", "haunt tokens list --data ~/haunt"),
    "tokens revoke": Command(
        "Ends a token at once.",
        "haunt tokens revoke haunt_3fa9 --data ~/haunt",
        {"which": "How it begins."},
    ),
}
