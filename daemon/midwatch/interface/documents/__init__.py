"""Machine-readable descriptions that are put together from the models: that of the bus."""

from midwatch.interface.documents.bus_description import bus_document

__all__ = ["bus_document"]
