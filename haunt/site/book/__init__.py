"""What the manual's chapters are drawn from; a test holds each against the code it tells of."""
