"""The words in the `flags` column: one registry feeds code, tables and documentation."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Flag:
    """A doubt about a measurement that was made all the same."""

    name: str
    short: str
    advice: str


_ALL = (
    # calibration and image
    Flag("uncalibrated", "no calibration named; pixel size taken from the image file",
         "Calibrate the objective and name the calibration in the study."),
    Flag("calibration-expired", "image taken outside the calibration's validity",
         "Calibrate again; if the new scale agrees, extend the old one's validity."),
    Flag("pixel-size-disagrees", "pixel size in the file differs from the calibration by over 1 %",
         "Check that the image was taken with the objective the calibration names."),
    Flag("saturated", "too many pixels at the end of the camera's range",
         "Lower the exposure until no part that is measured is clipped."),
    Flag("out-of-focus", "edges far wider than aperture and wavelength predict",
         "Refocus on the section plane and take the image again."),
    Flag("resolution-limited", "feature thinner than the measured edge spread allows",
         "Use an objective of higher numerical aperture."),
    Flag("few-profiles", "less than half of the profiles could be used",
         "Look at the overlay; clean the section or choose a better region."),
    Flag("distorted", "radial distortion of the objective beyond the limit",
         "Calibrate with a grid so that the distortion is corrected."),
    # light
    Flag("underexposed", "signal too near the dark level for the stated precision",
         "Lengthen the exposure, for open light and film alike."),
    Flag("response-unknown", "camera response taken as linear without evidence",
         "State transfer in the calibration, or measure it with a step tablet."),
    Flag("exposure-mismatch", "exposures of film and open light differ, or only one is known",
         "Take all frames at one exposure, or record the exposure times."),
    Flag("glare-dominated", "stray light is a large part of the signal",
         "Mask the field with an opaque stop and take an opaque frame."),
    Flag("lower-limit", "beyond the range of the measurement; the true value is greater",
         "Use more light or a longer exposure."),
    # cracks
    Flag("fold-found", "fold line found from the shading of the bend, not given",
         "Look at the overlay; if the line is wrong, give fold in the manifest."),
    Flag("band-cut", "part of the band along the fold lies outside the image",
         "Take the image so that the whole band is in it, or make band_um smaller."),
    # side views
    Flag("contact-irregular", "a foot's contact is no clean heel or sheet end: burr or dirt",
         "Look at the overlay; clean the foot and take the image again."),
    Flag("one-surface", "only one surface of the sheet shows the fold: nothing checks it",
         "Look at the overlay; keep glare, specks and the image's border off the fold."),
    Flag("low-texture", "under half of the field had enough texture to find its focus",
         "Light it from the side, dust the surface, or measure it by another route."),
    Flag("outline-cut", "the part runs into a support or out of the image",
         "Take area, perimeter and diameters as those of the part that is seen."),
    Flag("crown-not-circular", "no circle holds over the crown within the outline's noise",
         "State crown_arc_deg, or take the radius as a mean over the stretch fitted."),
    # review
    Flag("set-aside", "a person has set this value aside, with a reason",
         "See the record of decisions."),
    Flag("by-person", "drawn or measured by a person, not found by the program",
         "See the record of decisions."),
)  # fmt: skip

REGISTRY: dict[str, Flag] = {flag.name: flag for flag in _ALL}
