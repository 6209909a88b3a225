"""Print-ready PDF sheets of a ChArUco board: vector drawing at true size, rulers to check the printer with, tiles."""
