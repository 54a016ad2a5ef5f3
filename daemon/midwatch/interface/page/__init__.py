"""The operator's page: shows a running night and takes orders by hand."""

from midwatch.interface.page.page_options import page_settings
from midwatch.interface.page.page_server import OperatorPage

__all__ = ["OperatorPage", "page_settings"]
