"""One fit of all that bends the wave: the amplifier's curve, its rails, a dead band, slewing, over the whole take."""
