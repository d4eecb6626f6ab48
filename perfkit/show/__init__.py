"""What people see: tables, figures, clips, the page, the explorer, notebooks run on a study.

Each module is a door of its own and is loaded only when it is used, so that a table needs no chart
library: `tables`, `stills`, `motion_clips`, `report`, `explorer`, `notebooks`, `output`.
"""
