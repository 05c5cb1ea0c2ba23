"""What the devices of a batch do: currents, charges and noise of many units at once.

One module a family. Each names its `TERMINALS` and `BRANCHES` and has `parameters`, `unsupported`,
`collapsed`, `start`, `evaluate`, `charges`, `both`, `limit` and `noise`, all of the same shape; the
last two axes of every array are devices and units. The laws are those that ngspice 39 works out at
27 °C, so that an answer does not depend on which of the two was asked.
"""
