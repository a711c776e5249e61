"""Goal: what one motion costs a board's pack on the air, and that waiting costs far more.

Method: the very packets of a motion, its cue and its two reports, as the firmware writes and reads
them; their time on air worked out at the slowest rate; currents of a chip's data sheet.
"""

from types import SimpleNamespace

from tests.firmware.modules import beat, cue
from tests.firmware.test_loop import Bench
from tests.outside.registry import outside

VOLTS = 3.3
# ESP32-PICO-ZERO user manual, table 6 (a copy of it): 802.11b at 1 Mbit/s sends at 233 mA on
# average, 368 mA peak, and receives at 111 mA. Data sheets measure sending at half duty.
SENDING_MA, SENDING_PEAK_MA, RECEIVING_MA = 233, 368, 111
# The chip's data sheet as a board's maker repeats it: modem sleep at 80 MHz is 20 to 31 mA.
NAPPING_MA = 31
# IEEE 802.11b, from memory: long preamble and header 192 us, MAC header with FCS 28 bytes, LLC 8,
# an acknowledgement of 14 bytes; IPv4 and TCP without options 40.
FRAME_US, HEAD_BYTES, ACK_BYTES, US_PER_BYTE = 192, 28 + 8 + 40, 14, 8
SPREAD = 0.3  # of an estimate by such figures


def air_us(payload_bytes: int) -> int:
    """One packet and the acknowledgement on the air of its frame, at 1 Mbit/s."""
    whole = payload_bytes + HEAD_BYTES
    return 2 * FRAME_US + US_PER_BYTE * (whole + ACK_BYTES)


def millijoules(sent: list[int], received: list[int], sending_ma: int) -> float:
    """Each packet of one side brings a bare acknowledgement by TCP from the other."""
    sending_us = sum(map(air_us, sent)) + len(received) * air_us(0)
    receiving_us = sum(map(air_us, received)) + len(sent) * air_us(0)
    return VOLTS * (sending_ma * sending_us + RECEIVING_MA * receiving_us) / 1e6


def test_a_motion_costs_less_on_the_air_than_a_tenth_of_a_second_of_listening(
    firmware: SimpleNamespace,
) -> None:
    bench = Bench(firmware)
    bench.connect()
    bench.hear("all/beat", beat(1000))
    bench.run(200)  # its health is told before
    bench.heard("presence")
    bench.link.sent.clear()
    received = [len(firmware.packets.publish("haunt/yard/gate/cue", cue(1000), 1, False, 7))]

    bench.pins.command("motion gate-pir")
    bench.hear("gate/cue", cue(1000))
    bench.run(1100)
    sent = [len(packet) for packet in bench.link.sent]
    received += [4] * 3  # acknowledgements of a motion and two reports

    average = millijoules(sent, received, SENDING_MA)
    peak = millijoules(sent, received, SENDING_PEAK_MA)
    listening = VOLTS * RECEIVING_MA
    print(f"{sum(sent)} bytes in {len(sent)} packets: {average:.1f} mJ, at peak {peak:.1f} mJ;")
    print(f"a second of listening {listening:.0f} mJ, napping {VOLTS * NAPPING_MA:.0f} mJ")
    assert len(sent) == 4  # motion, acknowledgement of the cue, started, finished
    dear = peak * (1 + SPREAD) >= 0.1 * listening * (1 - SPREAD)
    outside("air/motion").agrees(wrong=int(dear))
    assert average > 1


def test_a_frame_of_a_hundred_bytes_takes_two_milliseconds() -> None:
    outside("air/frame").saw(air_us(100))
