"""Where the files that are shipped beside the code are: the driver profiles and the page."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

_IN_CHECKOUT = {"drivers": "drivers", "web": "dashboards/web"}


def share_path(what: Literal["drivers", "web"]) -> Path:
    """The folder of shipped files: in an installed package under `benchd/share`, else in the source checkout.

    An editable install has no `benchd/share`, so there the checkout is found and edits are seen at once.
    """
    installed = Path(__file__).with_name("share") / what
    if installed.is_dir():
        return installed
    return Path(__file__).parent.parent / _IN_CHECKOUT[what]
