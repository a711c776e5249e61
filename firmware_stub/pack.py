"""Works out the pack's voltage from what the pin reads, and the least that its cells may have.

It must never guess a divider: without one, or a full scale, there is no reading.
"""

ADC_MV = 3300
RAW_MAX = 65535


def pack_mv(raw, battery):
    """`raw` is 0 to 65535, as the port reads it."""
    if "full_scale_mv" in battery:
        return calibrated(raw * battery["full_scale_mv"] // RAW_MAX, battery)
    return from_pin_mv(raw * battery.get("adc_mv", ADC_MV) // RAW_MAX, battery)


def from_pin_mv(pin_mv, battery):
    top_ohm, bottom_ohm = battery.get("divider", (0, 1))
    return calibrated(pin_mv * (top_ohm + bottom_ohm) // bottom_ohm, battery)


def calibrated(read_mv, battery):
    """By one or two pairs of what was read and what a meter showed at that moment."""
    points = battery.get("calibration", ())
    if not points:
        return read_mv
    read, true = points[0]
    if len(points) == 1:
        return read_mv * true // read
    return max(0, true + (read_mv - read) * (points[1][1] - true) // (points[1][0] - read))


def floor_mv(battery):
    """0 where no floor is named."""
    per_cell = battery.get("cells", 0) * battery.get("cell_floor_mv", 0)
    return max(battery.get("floor_mv", 0), per_cell)
