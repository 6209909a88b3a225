"""Mirror samples: a bench folder, cycles of photographs, what they say, side by side and on a given rig."""
