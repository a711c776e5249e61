"""What is kept: shows, the journal of the night, people's actions. One writer, short readers."""
