"""What is tested: products with their zones, specimens, custody and service history."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.conf import settings
from django.db import models
from django.db.models import F, Q

if TYPE_CHECKING:
    from django_stubs_ext.db.models.manager import RelatedManager


class Product(models.Model):
    """A product as sold: what every specimen of it has in common."""

    class Kind(models.TextChoices):
        JACKET = "jacket", "jacket"
        TROUSERS = "trousers", "trousers"
        GLOVES = "gloves", "gloves"
        BOOTS = "boots", "boots"
        LIMB_PROTECTOR = "limb protector", "limb protector"
        BACK_PROTECTOR = "back protector", "back protector"
        CHEST_PROTECTOR = "chest protector", "chest protector"
        HELMET = "helmet", "helmet"
        HARNESS = "harness", "harness"
        OTHER = "other", "other"

    ABSORBING = frozenset(
        {Kind.LIMB_PROTECTOR, Kind.BACK_PROTECTOR, Kind.CHEST_PROTECTOR, Kind.HELMET, Kind.HARNESS}
    )

    maker = models.CharField(max_length=120)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=40, choices=Kind)
    size_range = models.CharField(max_length=80, blank=True)
    colourway = models.CharField(max_length=80, blank=True)
    list_price = models.DecimalField(max_digits=9, decimal_places=2, null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)
    certification_claims = models.TextField(
        blank=True, help_text="As printed on the label, word for word. We do not check them."
    )
    padded = models.BooleanField(
        default=False, help_text="Has pads or other parts made to absorb a blow."
    )

    zones: RelatedManager[Zone]

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["maker", "name"], name="product_once"),
            models.CheckConstraint(
                condition=Q(list_price__isnull=True) | Q(list_price__gte=0),
                name="product_price_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(list_price__isnull=True) | ~Q(currency=""),
                name="product_price_has_currency",
            ),
        ]
        ordering = ["maker", "name"]

    def __str__(self) -> str:
        return f"{self.maker} {self.name}"

    @property
    def absorbs_impact(self) -> bool:
        """True when a knock may have used it up without leaving a mark."""
        return self.padded or self.kind in self.ABSORBING


class Zone(models.Model):
    """A named part of a product that a method can be applied to."""

    class Side(models.TextChoices):
        LEFT = "left", "left"
        RIGHT = "right", "right"
        NONE = "none", "no side"

    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="zones")
    code = models.SlugField(max_length=40)
    name = models.CharField(max_length=80)
    side = models.CharField(max_length=5, choices=Side, default=Side.NONE)
    layers = models.CharField(max_length=200, blank=True)
    padding = models.CharField(max_length=200, blank=True)

    capacities: RelatedManager[ZoneCapacity]

    class Meta:
        constraints = [models.UniqueConstraint(fields=["product", "code"], name="zone_once")]
        ordering = ["product", "code"]

    def __str__(self) -> str:
        return self.name


class ZoneCapacity(models.Model):
    """How many sites of one method a zone can carry. The method is named by its key."""

    zone = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="capacities")
    method_key = models.SlugField(max_length=60)
    site_count = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["zone", "method_key"], name="zone_capacity_once"),
            models.CheckConstraint(
                condition=Q(site_count__gte=1), name="zone_capacity_at_least_one"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.zone}: {self.site_count} × {self.method_key}"


class Specimen(models.Model):
    """One physical item, whole as bought or lent. It is the unit of evidence."""

    class Acquired(models.TextChoices):
        BOUGHT = "bought", "bought"
        LENT = "lent", "lent"
        GIVEN = "given", "given"

    code = models.CharField(max_length=6, unique=True)
    product = models.ForeignKey(Product, on_delete=models.PROTECT, related_name="specimens")
    size = models.CharField(max_length=20, blank=True)
    lot = models.CharField(max_length=60, blank=True)
    price_paid = models.DecimalField(max_digits=9, decimal_places=2, null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)
    acquired = models.CharField(max_length=6, choices=Acquired)
    paid_by = models.CharField(max_length=120, blank=True)
    acquired_on = models.DateField()
    condition_at_intake = models.TextField(blank=True)
    owner_alias = models.CharField(
        max_length=40, blank=True, help_text="A stand-in for the owner's name, never the name."
    )
    retired_on = models.DateField(null=True, blank=True)

    service_entries: RelatedManager[ServiceEntry]
    custody_events: RelatedManager[CustodyEvent]

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(price_paid__isnull=True) | (Q(price_paid__gte=0) & ~Q(currency="")),
                name="specimen_price_has_currency",
            ),
        ]
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class CustodyEvent(models.Model):
    """The specimen changed hands or place."""

    specimen = models.ForeignKey(Specimen, on_delete=models.PROTECT, related_name="custody_events")
    at = models.DateTimeField()
    from_place = models.CharField(max_length=120)
    to_place = models.CharField(max_length=120)
    by_name = models.CharField(max_length=120)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["at", "pk"]

    def __str__(self) -> str:
        return f"{self.specimen} from {self.from_place} to {self.to_place}"


class ServiceEntry(models.Model):
    """A stretch of use, with how it is known. Exposure at a date is derived from these."""

    class Evidence(models.TextChoices):
        LOGGER = "logger", "data logger"
        ODOMETER = "odometer", "logged odometer"
        RECEIPTS = "receipts", "receipts"
        DIARY = "diary", "diary"
        MEMORY = "owner's memory", "the owner's memory"
        UNKNOWN = "unknown", "not known"

    DOCUMENTED = frozenset({Evidence.LOGGER, Evidence.ODOMETER, Evidence.RECEIPTS, Evidence.DIARY})

    specimen = models.ForeignKey(Specimen, on_delete=models.PROTECT, related_name="service_entries")
    started_on = models.DateField()
    ended_on = models.DateField()
    distance_km_low = models.FloatField(null=True, blank=True)
    distance_km_best = models.FloatField(null=True, blank=True)
    distance_km_high = models.FloatField(null=True, blank=True)
    wash_count = models.PositiveSmallIntegerField(null=True, blank=True)
    proofing_count = models.PositiveSmallIntegerField(null=True, blank=True)
    conditions = models.TextField(blank=True)
    incidents = models.JSONField(
        default=list, blank=True, help_text="A list of crash, fall, soak or heat, each with a date."
    )
    evidence = models.CharField(max_length=20, choices=Evidence)
    note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ended_on__gte=F("started_on")), name="service_ends_after_start"
            ),
            models.CheckConstraint(
                condition=Q(
                    distance_km_low__isnull=True,
                    distance_km_best__isnull=True,
                    distance_km_high__isnull=True,
                )
                | Q(
                    distance_km_low__gte=0,
                    distance_km_low__lte=F("distance_km_best"),
                    distance_km_best__lte=F("distance_km_high"),
                ),
                name="service_distance_ordered",
            ),
        ]
        ordering = ["specimen", "started_on"]

    def __str__(self) -> str:
        return f"{self.specimen}, {self.started_on} to {self.ended_on}"


class RecordFile(models.Model):
    """A file of records as it came, with what became of it."""

    kind = models.CharField(max_length=20, help_text="What its lines are (specimens.imports).")
    file_name = models.CharField(max_length=200)
    content = models.BinaryField()
    digest = models.CharField(max_length=64, help_text="Of what the lines say.")
    columns = models.JSONField(
        null=True, blank=True, help_text="Our column to its place in the file."
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    received_at = models.DateTimeField()
    stored_at = models.DateTimeField(null=True, blank=True)
    row_count = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "digest"],
                condition=Q(stored_at__isnull=False),
                name="record_file_stored_once",
            ),
        ]
        ordering = ["-received_at"]

    def __str__(self) -> str:
        return self.file_name
