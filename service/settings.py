"""Every setting: name, unit, default, why; each is ``LAYERBOOK_<NAME>`` in the environment."""

from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, field_validator, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict


def shipped_folder(name: str) -> Path:
    """Find templates, static or migrations: inside the wheel, else beside the package."""
    package = Path(__file__).resolve().parent
    inside = package / "_data" / name
    return inside if inside.is_dir() else package.parent / name


class Settings(BaseSettings):
    """The settings of one server; the defaults are right for trying it on one machine."""

    model_config = SettingsConfigDict(
        env_prefix="LAYERBOOK_", frozen=True, use_attribute_docstrings=True, extra="forbid"
    )

    data_folder: Path = Path("layerbook-data")
    """Folder of the SQLite file, the attachments and kept drawings. Default: layerbook-data in the
    folder the command is started in, so that a trial leaves nothing elsewhere."""

    database_url: str = ""
    """Database as an SQLAlchemy URL. Default: the file layerbook.sqlite in the data folder, which
    needs no server. ``postgresql://…`` for many people at once and several app processes."""

    lab_name: str = Field(default="Our laboratory", min_length=1, max_length=100)
    """Name of the laboratory; stands as owner in every title block (ISO 7200 asks for it)."""

    zone: str = "UTC"
    """Time zone of the laboratory by its IANA name, such as Europe/Berlin. Default: UTC, which is
    nobody's guess. Times are kept in UTC and shown and read in this zone."""

    host: str = "127.0.0.1"
    """Address the server listens on. Default: this machine only; 0.0.0.0 opens it to the
    network."""

    port: int = Field(default=8042, ge=1, le=65535)
    """TCP port the server listens on. Default: 8042, seldom taken."""

    workers: int = Field(default=1, ge=1, le=64)
    """Server processes. Default: 1, which is right for SQLite; more with PostgreSQL."""

    public_address: str = ""
    """Address people type, such as https://layerbook.lab.example, if a proxy stands in front.
    Default: empty, the Host header is taken. Forms from any other origin are refused."""

    cookie_secure: bool = False
    """Send cookies over HTTPS only, with the __Host- prefix, and ask browsers to stay on HTTPS.
    Default: off, since a first trial has no certificate. Switch it on behind HTTPS."""

    session_hours: float = Field(default=12, gt=0, le=720)
    """Longest time signed in, in hours. Default: 12, one long shift."""

    session_idle_minutes: float = Field(default=120, gt=0, le=43200)
    """Time signed in without any request, in minutes. Default: 120: lifting a stack off a bench
    takes longer than a desk's coffee break."""

    bench_lock_minutes: float = Field(default=10, gt=0, le=1440)
    """Time an enrolled shared tablet goes untouched before it asks for PIN or password again, in
    minutes. Default: 10. What is typed stays."""

    sign_in_attempts: int = Field(default=5, ge=1, le=1000)
    """Wrong passwords for one login within the window before it must wait. Default: 5."""

    sign_in_attempts_per_address: int = Field(default=50, ge=1, le=100000)
    """Wrong passwords from one network address within the window. Default: 50, since a whole
    laboratory may share one address."""

    sign_in_window_minutes: float = Field(default=15, gt=0, le=1440)
    """Window of both limits, in minutes. Default: 15."""

    attachment_max_mb: int = Field(default=15, ge=1, le=1000)
    """Largest attachment, in megabytes (1024 × 1024 bytes). Default: 15, a tablet's photo with
    room to spare."""

    request_max_mb: int = Field(default=64, ge=1, le=4000)
    """Largest request, in megabytes (1024 × 1024 bytes): several photos or one list at once.
    Default: 64. Calls of the API that bring no file, and signing in, take 1 at most."""

    log_max_mb: int = Field(default=2000, ge=1, le=100_000)
    """Largest log of a test bench, in megabytes (1024 × 1024 bytes): months at one row a second.
    Default: 2000. It is received in pieces and never held in memory."""

    page_rows: int = Field(default=50, ge=5, le=500)
    """Rows of a list on one page. Default: 50, a screen or two."""

    @field_validator("zone")
    @classmethod
    def _zone_is_known(cls, zone: str) -> str:
        if zone not in available_timezones():
            raise ValueError(f"“{zone}” is no IANA time zone; right would be Europe/Berlin or UTC")
        return zone

    @field_validator("public_address")
    @classmethod
    def _address_is_an_origin(cls, address: str) -> str:
        address = address.rstrip("/")
        if address and not address.startswith(("http://", "https://")):
            raise ValueError(f"“{address}” must begin with https:// or http://")
        return address

    @model_validator(mode="before")
    @classmethod
    def _database_in_the_data_folder(cls, given: dict[str, object]) -> dict[str, object]:
        if not given.get("database_url"):
            folder = Path(str(given.get("data_folder") or "layerbook-data"))
            given = {**given, "database_url": f"sqlite:///{folder / 'layerbook.sqlite'}"}
        return given

    @property
    def time_zone(self) -> ZoneInfo:
        """The laboratory's zone."""
        return ZoneInfo(self.zone)
