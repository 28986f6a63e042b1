"""Files that outlast the work: to keep, for paper, for the screen."""
