"""What is said of the sensors' rules, and of what people, boards and the network do."""

from haunt.core.people import ARMED
from haunt.live.why.words import Facts, Said, count, seconds, whole


def unknown_sensor(f: Facts) -> Said:
    number, board = f.because.number, f.because.cause
    of = f" of board {board}" if board else ""
    known = f", {f.sensor}{of} is none of the show's {number}" if number is not None else ""
    return Said(
        f"unknown sensor{known or f', {f.sensor} is not in the show'}",
        would=f"Entered in the show file under{f' {board}' if board else ' its board'} it would "
        "have counted",
    )


def muted(f: Facts) -> Said:
    over = f.left_of() or " until somebody unmutes it"
    return Said(f"muted{over}", f"{f.sensor} muted {f.by}", "Unmuted, it would have counted")


def warming_up(f: Facts) -> Said:
    board = f"Board {f.because.cause}" if f.because.cause else "Its board"
    return Said(
        f"warming up{f.left_of()}",
        f.since_words(f"{board} was powered up at"),
        f.later("counted"),
    )


def block_time(f: Facts) -> Said:
    return Said(
        f"block time{f.left_of()}",
        f.since_words(f"{f.sensor} was accepted at"),
        f"{f.later('counted')}, or a shorter block_s",
    )


def lingering(f: Facts) -> Said:
    most = (
        f", or {whole(f.because.number)} after the one that counted"
        if (f.because.number is not None)
        else ""
    )
    return Said(
        f"lingering{f.left_of(' without movement')}",
        f.since_words("The same group counted at"),
        f"A pause of {f.limit or 'its lull'} would have made it a new group{most}",
    )


def wrong_way(f: Facts) -> Said:
    first = f.cause_sensor or "the sensor before it"
    ago = f.because.number
    last = f", the last one {seconds(ago)} before" if ago is not None else ""
    within = f" within {f.limit}" if f.limit else ""
    return Said(
        f"wrong way, {first} saw nobody{within} before{last}",
        would=f"Somebody past {first}{within} before would have counted",
    )


def self_trigger(f: Facts) -> Said:
    settle = f" of playing and {f.limit} to settle" if f.limit else ""
    return Said(
        f"self trigger, {f.left or 'no time'} left{settle}",
        f.since_words(f"{f.sensor} sees {f.cause_prop}, which started at"),
        f.later("counted"),
    )


def no_prop(f: Facts) -> Said:
    if f.because.also:
        return Said(
            f"no prop, {f.because.cause} was taken out of the show",
            would="Left in the show, it would have been judged when the visitor got there",
        )
    return Said(
        f"no prop, {f.sensor} has {count(f.because.number or 0, 'link')}",
        would="A link from it to a prop would have made something of it",
    )


def left(f: Facts) -> Said:
    number = f.because.number
    gone = f", nobody reported for {seconds(number)}" if number is not None else ""
    return Said(
        f"left{gone}{f' of at most {f.limit}' if f.limit else ''}",
        f.since_words("The group was last seen at"),
        "Had they stayed until the prop was free, it would have fired",
    )


# --- people, boards, the network


def stopped(f: Facts) -> Said:
    if f.because.also == "released":
        return Said(
            f"stopped, it was seen before the release of {f.since}",
            would="A motion after that would have counted",
        )
    return Said(f"stopped {f.by}", would="Released, the show would have let it fire")


def walk_test(f: Facts) -> Said:
    return Said(f"walk test {f.by}", would="With the walk test ended it would have fired")


def closed(f: Facts) -> Said:
    also, number = f.because.also, f.because.number
    if also == "ends-after":
        takes = f" {whole(number)}" if number else ""
        return Said(
            f"closed, its shortest behaviour{takes and f' of{takes}'} would have ended after "
            f"{f.until or 'close'}",
            would="A later closes, or a shorter behaviour, would have let it",
        )
    if also:
        return Said(f"closed, doors {also} {f.by}", would="Doors open again would have let it")
    opens = f", opens at {f.until}" if f.until else ", no night opens within two days"
    return Said(f"closed{opens}", would="Doors opened by hand would have let it")


def held(f: Facts) -> Said:
    if f.because.cause == ARMED:
        return Said(
            "held, it is armed by hand and nobody has armed it yet",
            would="Armed by somebody who sees it, it would have fired",
        )
    over = f.left_of() or " until somebody releases it"
    by = f" by {f.because.cause}" if f.because.cause else ""
    since = f" at {f.since}" if f.since else ""
    return Said(f"held{over}", f"Held{by}{since}" if by else "", "Released, it would have fired")


def locked_out(f: Facts) -> Said:
    who = f.because.cause or "Whoever locked it out"
    since = f" since {f.since}" if f.since else " since before the restart"
    return Said(
        "locked out",
        f"{who} works on it{since}",
        f"When {who if f.because.cause else 'they'} or an owner ends it, it would fire",
    )


def out_of_service(f: Facts) -> Said:
    return Said(f"out of service {f.by}", would="Back in service it would have fired")


def offline(f: Facts) -> Said:
    board = f" {f.because.cause}" if f.because.cause else ""
    ago = (
        f", its board{board} was lost {f.left} before" if f.left else f", its board{board} is lost"
    )
    return Said(
        f"offline{ago}",
        f.since_words("It went at"),
        "With the board here it would have fired",
    )


def no_link(f: Facts) -> Said:
    since = f" since {f.since}" if f.since else ""
    return Said(f"no link, no broker{since}", would="With the broker there it would have fired")


def restart(f: Facts) -> Said:
    at = f" at {f.since}" if f.since else ""
    return Said(
        f"restart, the controller was starting{at}",
        would="With the controller up it would have been judged in time",
    )
