"""From a drop of snapshots to the published tables, one folder a stage, in the order data flows (ISO 13374)."""
