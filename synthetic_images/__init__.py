"""A service bay with known truth, rendered to photographs; knows only the board definition of `vision`."""
