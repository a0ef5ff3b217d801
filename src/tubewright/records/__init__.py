"""The shop's memory: displays, tubes, jobs, readings and the history of every change."""
