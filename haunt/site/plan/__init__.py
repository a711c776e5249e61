"""The plan of a show: everything that its file can say, seen and changed on pages."""
