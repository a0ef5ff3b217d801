"""One pure function per public question."""
