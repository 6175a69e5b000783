"""`micromeasure calibrate`: the scale of an objective from images of a stage micrometer or grid."""

import argparse
import datetime as dt
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = subparsers.add_parser(
        "calibrate", help="make a calibration file from images of a stage micrometer or a grid"
    )
    add = parser.add_argument
    add(
        "images",
        nargs="+",
        type=Path,
        metavar="IMAGE",
        help="rulings along each axis, in one image each, or a grid",
    )
    add(
        "--pitch-um",
        type=float,
        required=True,
        metavar="P",
        help="certified distance between neighbouring rulings or elements, at 20 °C",
    )
    add(
        "--u-pitch-um",
        type=float,
        metavar="U",
        help="its standard uncertainty: half of the certificate's, where that is for k = 2",
    )
    add("--objective", required=True, metavar="NAME", help="as engraved, such as 20x/0.45")
    add("--id", required=True, metavar="ID", help="name by which studies refer to it")
    add("--out", type=Path, required=True, metavar="FILE", help="calibration file to write")
    add("--artefact", default="", metavar="TEXT", help="what the artefact is")
    add("--certificate", default="", metavar="TEXT", help="number of its certificate")
    add("--temperature", type=float, metavar="C", help="temperature of the artefact, °C")
    add(
        "--u-temperature",
        type=float,
        default=1.0,
        metavar="K",
        help="its standard uncertainty, K; default 1",
    )
    add("--expansion", type=float, metavar="A", help="expansion coefficient of the artefact, 1/K")
    add(
        "--pattern",
        choices=("auto", "rulings", "grid"),
        default="auto",
        help="what the images show; default: found by looking",
    )
    add(
        "--region",
        type=int,
        nargs=4,
        metavar=("X0", "Y0", "X1", "Y1"),
        help="part of the images to look at, px, edges included",
    )
    add(
        "--made",
        type=_date,
        metavar="DATE",
        help="day of the images; default today",
    )
    add(
        "--valid-until",
        type=_date,
        metavar="DATE",
        help="last day it may be used; default a year later",
    )
    add(
        "--numerical-aperture",
        type=float,
        metavar="NA",
        help="default: read from the objective's name",
    )
    add("--wavelength-nm", type=float, metavar="L", help="mean wavelength of the light")
    parser.set_defaults(run=run)  # fmt: skip


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        message = f"found {text!r}; must be a date such as 2026-02-11"
        raise argparse.ArgumentTypeError(message) from None


def run(args: argparse.Namespace) -> int:
    """Make the calibration, write it with its pictures and say what it is."""
    from micromeasure.calibration.file import Light
    from micromeasure.calibration.making import (
        YEAR,
        Request,
        aperture_in,
        make_calibration,
        write_made,
    )
    from micromeasure.calibration.scale import Artefact
    from micromeasure.calibration.writing import Labels

    made_on = args.made or dt.datetime.now(tz=dt.UTC).astimezone().date()
    request = Request(
        images=tuple(args.images),
        artefact=Artefact(
            pitch_um=args.pitch_um, u_pitch_um=args.u_pitch_um, temperature_c=args.temperature,
            u_temperature_k=args.u_temperature, expansion_per_k=args.expansion,
        ),
        labels=Labels(
            id=args.id, objective=args.objective, made=made_on,
            valid_until=args.valid_until or made_on + YEAR,
            artefact=args.artefact, certificate=args.certificate,
        ),
        light=Light(
            numerical_aperture=args.numerical_aperture or aperture_in(args.objective),
            wavelength_nm=args.wavelength_nm,
        ),
        pattern=args.pattern,
        region=None if args.region is None else tuple(args.region),
    )  # fmt: skip
    made = make_calibration(request, args.out)
    write_made(made)
    print(made.summary)
    print(f"wrote {', '.join(str(path) for path in made.files)}")
    return 0
