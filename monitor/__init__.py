"""The tallywatch daemon: watches axle-counter train detection, commands nothing."""
