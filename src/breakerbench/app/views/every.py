"""Every picture, in the order of the job."""

from __future__ import annotations

from breakerbench.app.views.advance import AdvancePicture
from breakerbench.app.views.burn import BurnPicture
from breakerbench.app.views.contact import ContactPicture
from breakerbench.app.views.current import CurrentPicture
from breakerbench.app.views.lobes import LobesPicture
from breakerbench.app.views.picture import Picture
from breakerbench.app.views.spacing import SpacingPicture

EVERY: tuple[type[Picture], ...] = (
    ContactPicture,
    LobesPicture,
    AdvancePicture,
    SpacingPicture,
    CurrentPicture,
    BurnPicture,
)
