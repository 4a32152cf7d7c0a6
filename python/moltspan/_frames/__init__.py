"""What all others stand on: tables of any kind, texts on their way to people, files, results, the check of calls."""
