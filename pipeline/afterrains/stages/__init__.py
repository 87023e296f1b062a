"""What jobs are made of, in order: prepare, pull, cell tasks, maps, decisions, delivery."""
