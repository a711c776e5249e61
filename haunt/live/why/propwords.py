"""What is said of the rules of a prop and of the whole show."""

from typing import Final

from haunt.live.why.words import Facts, Said, Say, count, seconds, whole


def low_battery(f: Facts) -> Said:
    under = f", {f.margin} points under its level" if f.margin is not None else ""
    charge, limit = f.because.number, f.because.limit
    of = f": {charge} % of at least {limit} %" if charge is not None and limit is not None else ""
    return Said(
        f"low battery{under}{of}",
        would="A charged pack would have let it, or a lower retire_percent",
    )


def stale(f: Facts) -> Said:
    beyond = f", {f.left} beyond" if f.left else ", beyond"
    return Said(
        f"stale{beyond} the patience{f' of {f.limit}' if f.limit else ''}",
        would=f"A report {f.left or 'that much'} sooner would have counted, or more patience_s",
    )


def already_waiting(f: Facts) -> Said:
    if f.because.also == "walking":
        return Said(
            f"already waiting, {f.because.limit} groups walk towards it and no more are taken on",
            would="With fewer under way it would have been taken on",
        )
    since = f" since {f.since}" if f.since else ""
    until = f", until {f.until}" if f.until else ""
    return Said(
        f"already waiting, another group waits{since}{until}",
        would="One group waits for a prop; a shorter rest would have freed it sooner",
    )


def playing(f: Facts) -> Said:
    takes = f" of playing and rest ({f.because.cause} takes {f.limit})" if f.limit else ""
    return Said(
        f"playing{f', {f.left} left{takes}' if f.left else ''}",
        f.since_words(f"It started {f.because.cause or 'it'} at"),
        f.later(),
    )


def cooldown(f: Facts) -> Said:
    plain, limit = f.because.number, f.because.limit
    stretched = f" (set {whole(plain)}, stretched)" if plain is not None and plain != limit else ""
    shorter = ""
    if limit is not None and f.margin is not None and limit > f.margin:
        shorter = f", or a rest of {seconds(limit - f.margin)}"
    return Said(
        f"cooldown{f.left_of()}{stretched}",
        f.since_words("Fired for the previous group at"),
        f"{f.later()}{shorter}",
    )


def hourly_cap(f: Facts) -> Said:
    number, cap = f.because.number, f.because.limit
    starts = f", {count(number or 0, 'start')} in an hour of {cap} allowed" if cap else ""
    free = f", the next in {f.left}" if f.left else ""
    return Said(f"hourly cap{starts}{free}", would="A higher hourly_cap would have let it")


def duty(f: Facts) -> Said:
    number, limit = f.because.number, f.because.limit
    on = ""
    if number is not None and limit is not None:
        most = f"{limit / 1000:.0f} s in 10 min"
        on = f", its motor would have run {number / 1000:.0f} s of at most {most}"
    room = f", room in {f.left}" if f.left else ""
    return Said(f"duty{on}{room}", would="A shorter motor_on_s would have fitted")


# --- the whole show


def audience(f: Facts) -> Said:
    number, limit = f.because.number, f.because.limit
    where = f" in {f.because.cause}" if f.because.cause else ""
    if number is None or limit is None:
        return Said("audience, nothing it does is gentle enough", would=_GENTLER)
    if f.because.also == "flash":
        what = f"its calmest flashes at {number / 1000:g} Hz of at most {limit / 1000:g} Hz"
    else:
        what = f"its mildest has intensity {number} of at most {limit}"
    return Said(f"audience, {what}{where}", would=_GENTLER)


_GENTLER: Final = "A gentler behaviour would have been let, or the same one in a later phase"


def quiet_hours(f: Facts) -> Said:
    number, limit = f.because.number, f.because.limit
    if limit is None:
        what = "nothing may be heard"
    elif number is None:
        what = f"a behaviour without a level counts as loud, allowed are {limit} dBA"
    else:
        what = f"its quietest has {number} dBA of at most {limit} dBA"
    if f.because.also == "into":
        when = f", it would have played into those that begin at {f.until}"
    else:
        when = f", until {f.until}" if f.until else ""
    would = f"A behaviour of {limit} dBA or less would have been let"
    return Said(f"quiet hours, {what}{when}", would=would if limit is not None else _LATER)


_LATER: Final = "Only after they end would it fire"


def stagger(f: Facts) -> Said:
    if f.because.also == "claim":
        cause = f"It is the turn of {f.cause_prop}, which has waited longer"
    else:
        cause = f.since_words(f"{f.cause_prop} started at")
    return Said(f"stagger{f.left_of()}", cause, f"{f.later()}, or a shorter gap_s")


def talk_over(f: Facts) -> Said:
    return Said(
        f"talk over{f.left_of()}",
        f.since_words(f"{f.cause_prop} speaks since"),
        "A behaviour without voice would have been let, or a motion after its end",
    )


def load(name: str, unit: str, scale: int, where: str, would: str) -> Say:
    """`where` has a place for the name of what is shared."""

    def say(f: Facts) -> Said:
        number, limit = f.because.number, f.because.limit
        total = ""
        if number is not None and limit is not None:
            most = f"{limit / scale:g} {unit}"
            total = f", {number / scale:g} {unit} of at most {most}"
            if number <= limit:  # whole numbers hide by how much
                total = f", just above {most}"
        at = where.format(f.because.cause) if f.because.cause else ""
        room = f", room in {f.left}" if f.left else ""
        return Said(f"{name}{total}{at}{room}", would=would)

    return say
