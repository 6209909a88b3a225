"""Optics of flat mirrors in closed form: reflectance of sheets, beams and footprints, what blurs, what scatters."""
