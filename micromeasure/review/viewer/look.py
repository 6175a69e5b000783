"""Colours by role, the same as on the overlays, and the few that only the viewer needs."""

from micromeasure.run.palette import INK, OTHER, PAPER, STYLES, Colour, Style

ROLES: dict[str, Style] = {
    **STYLES,
    # Told apart by lightness and by dashes as well as by hue.
    "confirmed": Style(colour=(255, 150, 20), width_px=2),
    "rejected": Style(colour=(160, 160, 160), width_px=1, dash_px=(2.0, 6.0)),
    "waiting": Style(colour=(255, 190, 170), width_px=1, dash_px=(6.0, 5.0)),
    "by-person": Style(colour=(120, 215, 255), width_px=2),
    "drawing": Style(colour=(120, 215, 255), width_px=2),
    "ruler": Style(colour=(255, 235, 90), width_px=2),
}


def style_of(role: str) -> Style:
    """Return colour, width and dashes of a role."""
    return ROLES.get(role, OTHER)


def rgba(colour: Colour) -> tuple[float, float, float, float]:
    """Return a colour from 0 to 1 with full opacity."""
    return colour[0] / 255, colour[1] / 255, colour[2] / 255, 1.0


def css(colour: Colour) -> str:
    """Return a colour as style sheets and napari want it."""
    return "#{:02x}{:02x}{:02x}".format(*colour)


STYLE_SHEET = f"""
QWidget#review {{ background: {css(PAPER)}; }}
QWidget#review QLabel {{ color: {css(INK)}; font-size: 13px; background: transparent; }}
QWidget#review QLabel#heading {{ font-size: 16px; font-weight: 600; }}
QWidget#review QLabel#quiet {{ color: #b4b8c0; }}
QWidget#review QLabel#state {{ font-size: 15px; font-weight: 600; padding: 5px 0px; }}
QWidget#review QLabel#notice {{ color: {css(PAPER)}; background: #ffd166; padding: 7px;
                                border-radius: 2px; }}
QWidget#review QPushButton {{ color: {css(INK)}; background: #2c3038; border: 1px solid #444a55;
    border-radius: 2px; padding: 4px 8px; text-align: left; font-size: 13px; }}
QWidget#review QPushButton:hover {{ background: #3a404b; }}
QWidget#review QPushButton:focus {{ border: 2px solid #ffeb5a; }}
QWidget#review QPushButton#sheet {{ text-align: center; }}
QWidget#review QPushButton#sheet:checked {{ background: #4a5160; border-color: {css(INK)}; }}
QWidget#review QLineEdit {{ color: {css(INK)}; background: #14161a; border: 1px solid #5a606c;
    padding: 5px; font-size: 13px; }}
QWidget#review QLineEdit:focus {{ border: 2px solid #ffeb5a; }}
"""
