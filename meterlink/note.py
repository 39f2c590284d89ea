"""Notes and photos of a job: events of its record upon which no decision rests."""

from dataclasses import dataclass

from meterlink.outcome import Json
from meterlink.reading import Instant


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture that belongs to a note; its bytes lie in a file of their own beside the record."""

    name: str
    """As the user calls it."""
    media_type: str
    """Such as `image/jpeg`."""
    size: int
    """In bytes."""
    sha256: str
    """Of the bytes, in hex; it also names the file."""

    def as_json(self) -> Json:
        """What the note says of it."""
        return {"name": self.name, "media_type": self.media_type, "size": self.size, "sha256": self.sha256}


@dataclass(frozen=True, slots=True)
class Note:
    """What a person wants kept with the job: a remark, a photo, a word from the office or an auditor."""

    text: str
    by: str
    """Whose note it is, such as `technician`, `office` or `auditor`."""
    at: Instant
    photo: Photo | None = None
    sent: str | None = None
    """The id under which the office sent it; it waits to see that in the log."""

    def as_json(self) -> Json:
        """The body of the `note` event."""
        photo = self.photo.as_json() if self.photo else None
        body: dict[str, object] = {"about": "remark", "text": self.text, "by": self.by, "photo": photo}
        return body if self.sent is None else {**body, "note": self.sent}
