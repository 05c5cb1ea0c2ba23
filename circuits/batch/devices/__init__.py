"""What the devices of a batch do: currents, charges and noise of many units at once.

One module a family. Each names its `TERMINALS`, of which the `OUTER` ones are pins, and `BRANCHES`,
whose voltages are all that it depends on; it has `unsupported`, `collapsed`, `parameters`, `start`,
`evaluate`, `charges`, `both`, `small_signal`, `limit` and `noise`, all of the same shape. The last
two axes of every array are devices and units, and `PATTERN` and `CHARGE_PATTERN` say which
derivatives can differ from zero. What is known of a device goes in as a `card.Card`; sources that
follow an expression are in `expression`.

The laws are those that ngspice 39 works out at 27 °C, so that an answer does not depend on which of
the two was asked.
"""
