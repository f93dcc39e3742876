"""Tables and constraints, one file per part of the trade."""

from wholesale.models.catalogue import Equipment, Item, Operation, Recipe, RecipeLine, Scent, Substitute
from wholesale.models.documents import Document, Mail, PlanImprovement, SheetRefresh
from wholesale.models.invoicing import Invoice, Payment, Series, Settlement
from wholesale.models.orders import (
    HeldBasket,
    Order,
    OrderEvent,
    OrderLine,
    OrderLineScent,
    PromiseChange,
    ShopAccount,
)
from wholesale.models.pricing import Price, PriceList, Tier
from wholesale.models.production import (
    BatchEvent,
    CalendarDay,
    EquipmentOut,
    Load,
    LoadPortion,
    PlanChange,
    PlanState,
    Reject,
    SheetDate,
    Weekday,
    Weighing,
)
from wholesale.models.shipping import Shipment, ShipmentLine, ShipmentLot
from wholesale.models.stock import ExpectedDelivery, ForStock, Lot, Reservation, StockMovement, StockTarget
from wholesale.models.workshop import Setting

__all__ = [
    "BatchEvent", "CalendarDay", "Document", "Equipment", "EquipmentOut", "ExpectedDelivery", "ForStock",
    "HeldBasket", "Invoice", "Item", "Load", "LoadPortion", "Lot", "Mail", "Operation", "Order", "OrderEvent",
    "OrderLine", "OrderLineScent", "Payment", "PlanChange", "PlanImprovement", "PlanState", "Price", "PriceList",
    "PromiseChange", "Recipe", "RecipeLine", "Reject", "Reservation", "Scent", "Series", "Setting", "Settlement",
    "SheetDate", "SheetRefresh", "Shipment", "ShipmentLine", "ShipmentLot", "ShopAccount", "StockMovement",
    "StockTarget", "Substitute", "Tier", "Weekday", "Weighing",
]  # fmt: skip
