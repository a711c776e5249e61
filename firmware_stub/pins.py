"""The board's pins as events and levels: real ones, or lines of text where there are none.

It must put every output to rest while it is made, before anything else is done with it.
"""

import pack

BATTERY_MS = 1000
# What boot.py has made already; a second making could show as a spike.
_made = []


def machine_pins(config):
    if not _made:
        _made.append(MachinePins(config))
    return _made[0]


class MachinePins:
    """Outputs, sensors, the pack's voltage, and motors that stall."""

    def __init__(self, config):
        import machine

        import drivers

        self.socket = None
        self._drivers = {}
        self._motors = []
        self._voices = []
        for prop in config.props:
            outputs = config.props[prop].get("outputs", {})
            for name in outputs:
                self._add(prop, name, drivers.driver_of(outputs[name]))
        self._sensors = []
        pulls = {"up": machine.Pin.PULL_UP, "down": machine.Pin.PULL_DOWN} if _pulled(config) else {}
        for name in config.sensors:
            sensor = config.sensors[name]
            pull = pulls.get(sensor.get("pull"))
            pin = machine.Pin(sensor["pin"], machine.Pin.IN, pull)
            self._sensors.append([name, pin, sensor.get("active", 1), False])
        self._battery = config.battery if "pin" in config.battery else None
        self._adc = machine.ADC(machine.Pin(self._battery["pin"])) if self._battery else None
        self._battery_due_ms = 0
        self._told = dict((name, False) for name in config.sensors)

    def _add(self, prop, name, driver):
        self._drivers[(prop, name)] = driver
        if hasattr(driver, "is_stalled"):
            self._motors.append((prop, name, driver))
        if hasattr(driver, "poll"):
            self._voices.append(driver)

    def write(self, ms, prop, output, level):
        self._drivers[(prop, output)].write(level)

    def events(self, ms):
        found = []
        for entry in self._sensors:
            name, pin, active, last = entry
            is_high = entry[3] = pin.value() == active
            # Two looks must agree: a spike between them is no visitor.
            if is_high == last and is_high != self._told[name]:
                self._told[name] = is_high
                found.append(("sensor", name, is_high))
        for prop, name, motor in self._motors:
            if motor.is_stalled(ms):
                found.append(("stalled", prop, name))
        for voice in self._voices:
            voice.poll(ms)
        if self._adc is not None and ms >= self._battery_due_ms:
            self._battery_due_ms = ms + BATTERY_MS
            found.append(("battery", self._pack_mv()))
        return found

    def close(self):
        pass

    def _pack_mv(self):
        """The middle of three looks: a radio that sends bends single ones."""
        if "divider" in self._battery and hasattr(self._adc, "read_uv"):
            looks = sorted([self._adc.read_uv() for _ in range(3)])
            return pack.from_pin_mv(looks[1] // 1000, self._battery)
        looks = sorted([self._adc.read_u16() for _ in range(3)])
        return pack.pack_mv(looks[1], self._battery)


def _pulled(config):
    return any("pull" in config.sensors[name] for name in config.sensors)
