"""What is printed: labels for props and boards, and the card by which helpers join."""
