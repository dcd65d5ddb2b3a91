"""What goes wrong on purpose: kills, full and failing disks, flipped bits, clocks, odd text."""
