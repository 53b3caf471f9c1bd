"""Published VINs for tests: worked examples and package test data, each with its source."""

from __future__ import annotations

CHECKED_VINS = (
    "1G4AH59H45G118341",  # 49 CFR 565.15, Table VI
    "1J9RP1A36A1644345",  # NHTSA, outline for new manufacturers
    "1M8GDM9AXKP042788",  # Wikipedia, "Vehicle identification number", worked example
    "5GZCZ43D13S812715",  # Zint barcode encoder, test data
    "LJCPCBLCX11000237",  # scientificgems blog, 2018-04-27
    "1FACP45EXLF192944",  # datacleaner, extension_vehicles wiki
    "WBAXW1104J0X16755",  # singebogo, 9-VINCodeRule readme
    "WDBEA30D3HA391172",  # R package vindecodr 0.1.1, manual
    "5N1NJ01CXST000001",  # Rust crate vin-info 0.1.2, tests
    "1GNEC233X9R191831",  # Ruby gem vindicator 0.1.0, manual
    "KNDCE3LG2L5073161",  # package vin 0.6.2, readme
    "5FNYF5H59HB011946",  # package vin 0.6.2, readme
    "YT9NN1U14KA007175",  # package vin 0.6.2, readme
    "4T1BE46K19U856421",  # package vin 0.6.2, docstring
    "WDDUG8CB9FA092680",  # npm @vroomlabs/vin-validate 1.0.2, tests
    "JN1DA31D63T505967",  # lucasdavila/vin_checker, readme
)
"""The check digit matches."""

UNCHECKED_VINS = (
    "WP0ZZZ99ZTS392124",  # Zint, accepted: position 9 holds no check digit
    "VF1LM1B0H36666155",  # vininfo, readme
    "XTAGFK330JY144213",  # vininfo, readme
    "ZACCJABT0FPB66932",  # npm @vroomlabs/vin-validate 1.0.2, tests
    "KNAPX81GBNK005247",  # package vin 0.6.2, tests
)
"""The check digit does not match and need not."""
