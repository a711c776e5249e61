"""Why a decision fell as it did: the facts when it fell, and the words for them."""
