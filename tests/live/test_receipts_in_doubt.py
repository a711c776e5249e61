"""Goal: while another server could take over, the broker forgets no motion that is not kept.

Method: receipts alone; how long one may wait is what the test says.
"""

from haunt.core.decisions import MotionKey
from haunt.live.ports import Receipt
from haunt.live.receipts import WAIT_MS, Receipts

KEY, RECEIPT = MotionKey("b1", "7f3a91c2d405", 1), Receipt(1, 7)


def test_a_receipt_waits_as_long_as_it_is_in_doubt_who_runs_the_show() -> None:
    given: list[Receipt] = []
    doubt_ms = [3000]
    receipts = Receipts(given.append)
    receipts.wait_ms = lambda: doubt_ms[0]
    receipts.expect(1, KEY, RECEIPT, 0)

    receipts.expire(WAIT_MS)
    assert given == []
    assert receipts.next_due_ms() == 3000

    doubt_ms[0] = WAIT_MS  # nobody stands by any more
    receipts.expire(WAIT_MS)
    assert given == [RECEIPT]
    assert receipts.not_journalled == 1
