"""Every key of the viewer, once: bound, shown on the screen and listed in the reference.

Keys that napari's own image, point and shape layers use are avoided, because a layer gets a key
before the window does.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key and what it does.

    Attributes
    ----------
    key : str
        As napari writes it.
    action : str
        Name of the action.
    does : str
        For the screen, a few words.
    """

    key: str
    action: str
    does: str

    @property
    def shown(self) -> str:
        """The key as it is written on a keyboard."""
        return _SHOWN.get(self.key, self.key)


_SHOWN = {
    "PageDown": "Page ↓", "PageUp": "Page ↑", "Escape": "Esc", "Return": "Enter",
    "Up": "↑", "Down": "↓", "Left": "←", "Right": "→", ".": ".", ",": ",",
    "Shift-Up": "Shift ↑", "Shift-Down": "Shift ↓", "Shift-Left": "Shift ←",
    "Shift-Right": "Shift →",
}  # fmt: skip

NEXT = Key(key="PageDown", action="next", does="next")
PREVIOUS = Key(key="PageUp", action="previous", does="previous")
UNDO = Key(key="U", action="undo", does="take back the last decision")
REMARK = Key(key="N", action="remark", does="write a remark")
HIDE = Key(key="H", action="hide", does="hide or show what is drawn")

INDICATION_KEYS = (
    Key(key="J", action="confirm", does="confirm: it is a crack"),
    Key(key="K", action="reject", does="reject: it is none"),
    UNDO,
    REMARK,
    NEXT,
    PREVIOUS,
    Key(key="F9", action="undecided", does="next that is not decided"),
    Key(key="G", action="correct", does="correct its line"),
    Key(key="W", action="draw", does="draw a crack that was missed"),
    HIDE,
)

MEASUREMENT_KEYS = (
    NEXT,
    PREVIOUS,
    Key(key=".", action="row_down", does="choose the next value"),
    Key(key=",", action="row_up", does="choose the value before"),
    Key(key="Q", action="set_aside", does="set the value aside, with a reason"),
    Key(key="G", action="redraw", does="draw the region anew and measure again"),
    Key(key="W", action="redraw_line", does="draw the line anew and measure again"),
    UNDO,
    HIDE,
)

SIDE_KEYS = (
    NEXT,
    PREVIOUS,
    Key(key=".", action="other_next", does="next image on the right"),
    Key(key=",", action="other_previous", does="image before on the right"),
    Key(key="Q", action="grey_range", does="same grey range, or each its own"),
)

# While points are being set, these come before all others.
HANDLE_KEYS = (
    Key(key="J", action="keep", does="keep it"),
    Key(key="Escape", action="leave", does="leave without keeping"),
    Key(key=".", action="point_next", does="choose the next point"),
    Key(key=",", action="point_previous", does="choose the point before"),
    Key(key="Left", action="left", does="move the point by a pixel"),
    Key(key="Right", action="right", does="move the point by a pixel"),
    Key(key="Up", action="up", does="move the point by a pixel"),
    Key(key="Down", action="down", does="move the point by a pixel"),
    Key(key="Shift-Left", action="far_left", does="move the point by ten pixels"),
    Key(key="Shift-Right", action="far_right", does="move the point by ten pixels"),
    Key(key="Shift-Up", action="far_up", does="move the point by ten pixels"),
    Key(key="Shift-Down", action="far_down", does="move the point by ten pixels"),
    Key(key="W", action="point_add", does="add a point after the chosen one"),
    Key(key="K", action="point_remove", does="remove the chosen point"),
    HIDE,
)

SHEET_KEYS = (
    Key(key="F2", action="indications", does="indications"),
    Key(key="F3", action="measurements", does="measurements"),
    Key(key="F4", action="sides", does="two revisions side by side"),
)

RULER_KEYS = (
    Key(key="F5", action="distance", does="distance of two points"),
    Key(key="F6", action="angle", does="angle at the second of three points"),
    Key(key="F7", action="radius", does="radius through three points"),
    Key(key="F8", action="edges", does="distance of two edges, found between two points"),
)

ALL_KEYS = (
    ("Indications", INDICATION_KEYS),
    ("Measurements", MEASUREMENT_KEYS),
    ("Side by side", SIDE_KEYS),
    ("While points are set", HANDLE_KEYS),
    ("Ruler", RULER_KEYS),
    ("What is shown", SHEET_KEYS),
)
