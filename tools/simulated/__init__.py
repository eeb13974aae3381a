"""An invented house: its loads, its people, its meters with their faults. Everything follows from a seed."""
