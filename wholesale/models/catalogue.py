"""Items, scents, equipment, and recipes with their lines and operations."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class Item(models.Model):
    """Something bought, made or sold; see ``core.catalogue.Item`` for the meaning of each field."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    description = models.TextField(blank=True)
    kind = models.CharField(max_length=10)
    unit = models.CharField(max_length=10)
    scented = models.BooleanField(default=False)
    case_pack = models.PositiveIntegerField(default=1)
    mix_scents = models.PositiveIntegerField(default=1)
    mix_least = models.PositiveIntegerField(default=1)
    #: Shares of one, such as 0.03.
    loss = models.DecimalField(max_digits=7, decimal_places=6, default=0)
    yield_share = models.DecimalField(max_digits=7, decimal_places=6, default=1)
    on_sale = models.BooleanField(default=True)
    gtin = models.CharField(max_length=14, blank=True)
    retail_price_e4 = models.BigIntegerField(null=True, blank=True)
    net_weight_mg = models.BigIntegerField(null=True, blank=True)
    max_load = models.DecimalField(max_digits=7, decimal_places=6, null=True, blank=True)
    flash_point_c = models.DecimalField(max_digits=6, decimal_places=1, null=True, blank=True)
    heating_limit_c = models.DecimalField(max_digits=6, decimal_places=1, null=True, blank=True)
    #: Pieces kept back of every batch.
    samples_per_batch = models.PositiveIntegerField(default=0)
    #: The accepted chance of too few good pieces; empty: the workshop's own setting.
    shortage_risk = models.DecimalField(max_digits=7, decimal_places=6, null=True, blank=True)
    #: Net grams the vessel has room for.
    room_mg = models.BigIntegerField(null=True, blank=True)
    #: What is left of a melt after pouring is kept and used first.
    keeps_leftover = models.BooleanField(default=False)
    #: The limits of this item refuse; else they warn.
    limits_refuse = models.BooleanField(default=False)
    #: For a piece, or for a kilogram of what is counted in grams; money in ten-thousandths.
    unit_cost_e4 = models.BigIntegerField(null=True, blank=True)
    #: Bought in multiples of so much: pieces or milligrams.
    purchase_pack = models.BigIntegerField(null=True, blank=True)
    supplier = models.CharField(max_length=120, blank=True)
    #: Calendar days from ordering to having it.
    supply_days = models.PositiveIntegerField(default=0)
    #: Nothing that takes this material is planned before the books say it is there; else it never binds the plan.
    binds_plan = models.BooleanField(default=False)
    #: Working days from ordering to leaving at the least; empty: the workshop's own setting.
    lead_days = models.PositiveIntegerField(null=True, blank=True)
    cautions = models.TextField(blank=True)
    position = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["position", "code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(shortage_risk__isnull=True) | Q(shortage_risk__gt=0, shortage_risk__lt=1),
                name="item_shortage_risk_a_chance",
            ),
            models.CheckConstraint(condition=Q(case_pack__gte=1), name="item_case_pack_from_one"),
            models.CheckConstraint(condition=Q(kind__in=["material", "part", "product"]), name="item_kind_known"),
            models.CheckConstraint(condition=Q(unit__in=["piece", "gram"]), name="item_unit_known"),
            models.CheckConstraint(condition=Q(loss__gte=0, loss__lt=1), name="item_loss_below_all"),
            models.CheckConstraint(condition=Q(yield_share__gt=0, yield_share__lte=1), name="item_yield_a_share"),
        ]

    def __str__(self) -> str:
        return self.name


class Scent(models.Model):
    """A scent, its oil, and its place in the order of work (faint before strong)."""

    code = models.CharField(max_length=20, unique=True)
    name = models.CharField(max_length=80)
    oil = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="+")
    rank = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["rank", "code"]

    def __str__(self) -> str:
        return self.name


class Equipment(models.Model):
    """What holds a load; see ``core.catalogue.Equipment``."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=40)
    count = models.PositiveIntegerField(default=1)
    load_mg = models.BigIntegerField(null=True, blank=True)
    load_pieces = models.PositiveIntegerField(null=True, blank=True)
    #: What ``load_mg`` counts: "total", all that is in the pot, or "carrier", the wax alone.
    load_basis = models.CharField(max_length=10, default="total")
    #: Empty: never binds.
    loads_per_day = models.PositiveIntegerField(null=True, blank=True)
    hold_minutes = models.PositiveIntegerField(default=0)
    window_minutes = models.PositiveIntegerField(null=True, blank=True)
    #: What one more of it costs, in ten-thousandths of the currency.
    price_e4 = models.BigIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["code"]
        verbose_name_plural = "equipment"
        constraints = [
            models.CheckConstraint(condition=Q(load_basis__in=["total", "carrier"]), name="equipment_load_basis_known")
        ]

    def __str__(self) -> str:
        return self.name


class Recipe(models.Model):
    """A dated version of how an item is made."""

    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="recipes")
    version = models.PositiveIntegerField(default=1)
    valid_from = models.DateField()
    #: Who wrote this version, and why it differs from the one before.
    written_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    because = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["item_id", "version"]
        constraints = [models.UniqueConstraint(fields=["item", "version"], name="recipe_version_once")]

    def __str__(self) -> str:
        return f"{self.item} v{self.version}"


class RecipeLine(models.Model):
    """One component; without ``component`` it is the scent's oil."""

    recipe = models.ForeignKey(Recipe, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveIntegerField()
    component = models.ForeignKey(Item, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    basis = models.CharField(max_length=20)
    #: Pieces or grams per piece, a share, a load, or units per batch, as ``basis`` says.
    quantity = models.DecimalField(max_digits=16, decimal_places=6)
    carrier = models.ForeignKey(Item, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    step = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ["recipe_id", "position"]
        constraints = [
            models.UniqueConstraint(fields=["recipe", "position"], name="recipe_line_position_once"),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="recipe_line_quantity_above_zero"),
        ]

    def __str__(self) -> str:
        return f"{self.recipe} line {self.position}"


class Substitute(models.Model):
    """A material that may stand in for another, weight for weight; its own limits hold for it."""

    item = models.ForeignKey(Item, on_delete=models.CASCADE, related_name="stand_ins")
    substitute = models.ForeignKey(Item, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["item_id", "substitute_id"]
        constraints = [
            models.UniqueConstraint(fields=["item", "substitute"], name="substitute_once"),
            models.CheckConstraint(condition=~Q(item=F("substitute")), name="substitute_is_another"),
        ]

    def __str__(self) -> str:
        return f"{self.substitute} for {self.item}"


class Operation(models.Model):
    """One step of a recipe; see ``core.catalogue.Operation``."""

    recipe = models.ForeignKey(Recipe, on_delete=models.CASCADE, related_name="operations")
    position = models.PositiveIntegerField()
    code = models.CharField(max_length=40)
    name = models.CharField(max_length=80)
    equipment = models.ForeignKey(Equipment, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    melt = models.ForeignKey(Item, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    hands = models.CharField(max_length=40, blank=True)
    minutes_per_piece = models.DecimalField(max_digits=9, decimal_places=3, default=0)
    minutes_per_load = models.DecimalField(max_digits=9, decimal_places=3, default=0)
    #: Share of the pieces that come good out of this step.
    yield_share = models.DecimalField(max_digits=7, decimal_places=6, default=1)
    #: The temperature this step heats to.
    heat_c = models.DecimalField(max_digits=6, decimal_places=1, null=True, blank=True)
    nights_min = models.PositiveIntegerField(default=0)
    #: Minutes before the next step of the same day, such as two hours of cooling.
    minutes_min = models.PositiveIntegerField(default=0)
    days_min = models.PositiveIntegerField(default=0)
    days_max = models.PositiveIntegerField(null=True, blank=True)
    cure_days = models.PositiveIntegerField(null=True, blank=True)
    group = models.CharField(max_length=40, blank=True)
    targets = models.TextField(blank=True)
    cautions = models.TextField(blank=True)

    class Meta:
        ordering = ["recipe_id", "position"]
        constraints = [
            models.UniqueConstraint(fields=["recipe", "position"], name="operation_position_once"),
            models.UniqueConstraint(fields=["recipe", "code"], name="operation_code_once"),
            models.CheckConstraint(condition=Q(yield_share__gt=0, yield_share__lte=1), name="operation_yield_a_share"),
            models.CheckConstraint(
                condition=Q(days_max__isnull=True)
                | (Q(days_max__gte=F("nights_min")) & Q(days_max__gte=F("days_min"))),
                name="operation_wait_not_turned_round",
            ),
        ]

    def __str__(self) -> str:
        return self.name
