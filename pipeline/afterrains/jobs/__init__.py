"""What each long command does from start to end; `cli` only parses, calls and prints."""
