"""The quiet room: arrays in, frozen records out; numpy and scipy only."""
