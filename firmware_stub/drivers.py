"""Turns levels into what a pin does: switches, PWM, pulses, addressable lights, a motor's bridge.

Each begins at rest, and must never move anything by being made.
"""

import machine

import kinds
import pack

DUTY_MAX = 65535
PWM_HZ = 1000
SERVO_HZ = 50


def _pwm(pin, freq_hz, duty):
    """The pin is put to a level first: before its first period a timer may show anything."""
    held = machine.Pin(pin, machine.Pin.OUT, value=1 if duty == DUTY_MAX else 0)
    return machine.PWM(held, freq=freq_hz, duty_u16=duty)


class Switch:
    def __init__(self, output):
        self._active = output.get("active", 1)
        rest = self._electric(kinds.rest_level(output))
        self._pin = machine.Pin(output["pin"], machine.Pin.OUT, value=rest)

    def write(self, level):
        self._pin.value(self._electric(level))

    def _electric(self, level):
        return self._active if level else 1 - self._active


class Dimmer:
    def __init__(self, output):
        self._active = output.get("active", 1)
        duty = self._duty(kinds.rest_level(output))
        self._pwm = _pwm(output["pin"], output.get("freq_hz", PWM_HZ), duty)

    def write(self, level):
        self._pwm.duty_u16(self._duty(level))

    def _duty(self, level):
        duty = level * DUTY_MAX // kinds.FULL
        return duty if self._active else DUTY_MAX - duty


class Servo:
    """No pulse, so no force and no jump, until it is told a place."""

    def __init__(self, output):
        self._left_us = output.get("left_us", 1000)
        self._width_us = output.get("right_us", 2000) - self._left_us
        self._pwm = _pwm(output["pin"], SERVO_HZ, 0)

    def write(self, level):
        if level is None:
            self._pwm.duty_u16(0)
            return
        pulse_us = self._left_us + self._width_us * level // kinds.FULL
        self._pwm.duty_u16(pulse_us * SERVO_HZ * DUTY_MAX // 1000000)


class Motor:
    """Both sides of the bridge low: it coasts. `is_stalled` looks at the bridge's current."""

    def __init__(self, output):
        freq_hz = output.get("freq_hz", PWM_HZ)
        self._sides = [_pwm(pin, freq_hz, 0) for pin in output["pins"]]
        self._sense = None
        if "sense_pin" in output:
            self._sense = machine.ADC(machine.Pin(output["sense_pin"]))
        self._stall_raw = output.get("stall_mv", 0) * DUTY_MAX // pack.ADC_MV
        self._stall_ms = output.get("stall_ms", 500)
        self._over_since_ms = None
        self._is_on = False

    def write(self, level):
        self._is_on = bool(level)
        duty = abs(level) * DUTY_MAX // kinds.FULL
        forward, back = self._sides
        # The side that is to be low goes first: never are both high.
        if level > 0:
            back.duty_u16(0)
            forward.duty_u16(duty)
        else:
            forward.duty_u16(0)
            back.duty_u16(duty)

    def is_stalled(self, ms):
        """True once each time it has drawn its stall current for so long."""
        if self._sense is None or not self._is_on or self._sense.read_u16() < self._stall_raw:
            self._over_since_ms = None
            return False
        if self._over_since_ms is None:
            self._over_since_ms = ms
        if ms - self._over_since_ms < self._stall_ms:
            return False
        self._over_since_ms = None
        return True


class Pixels:
    """They keep what they showed over a reset of the board, so dark is sent first of all."""

    def __init__(self, output):
        import neopixel

        pin = machine.Pin(output["pin"], machine.Pin.OUT, value=0)
        self._strip = neopixel.NeoPixel(pin, output.get("count", 1))
        self._colour = output.get("colour", (255, 255, 255))
        self.write(kinds.rest_level(output))

    def write(self, level):
        self._strip.fill(tuple([part * level // kinds.FULL for part in self._colour]))
        self._strip.write()


def driver_of(output):
    kind = kinds.kind_of(output)
    if kind == "sound":
        import sound

        return sound.Voice(output)
    made = {"dimmer": Dimmer, "servo": Servo, "motor": Motor, "pixels": Pixels}
    return made.get(kind, Switch)(output)
