"""Six by six taps of three interleaved channels as explicit vector operations.

A row of six pixels is 18 contiguous samples. They are taken as 16 lanes (pixels 0 to 4, one lane idle)
and 4 lanes (one idle, pixel 5), summed over the six rows with the vertical weights, and only then
weighted along the row and folded into three channels. Vector types of the compiler's own language state
this directly: every addition and multiplication is spelt out in order, nothing is fused or re-ordered, so
the result is the same on every machine and for every position in a tile.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from belvedere.compose.kernel import TAPS

ROW_LANES = 20  # weights along a row: 16 lanes for pixels 0 to 4, then 4 lanes for pixel 5


def row_weights(table: NDArray[np.float32]) -> NDArray[np.float32]:
    """A kernel table (1025, 6) laid out for the lanes: (1025 * 20,), float32."""
    out = np.zeros((table.shape[0], ROW_LANES), np.float32)
    for channel in range(3):
        out[:, channel:15:3] = table[:, :5]
        out[:, 17 + channel] = table[:, 5]
    return out.ravel()


def column_weights(table: NDArray[np.float32]) -> NDArray[np.float32]:
    """A kernel table (1025, 6) as it stands: (1025 * 6,), float32."""
    return table.ravel().copy()


def _weigh_taps(
    typing: Any,
    source: Any,
    at: Any,
    stride: Any,
    wx: Any,
    wx_at: Any,
    wy: Any,
    wy_at: Any,
    out: Any,
    out_at: Any,
) -> Any:
    """Sum 6 x 6 taps of `source` (flat, 3 interleaved channels) from element `at` on; rows `stride` apart.

    Writes r, g, b and one meaningless number to out[out_at : out_at + 4]. No bounds are checked.
    """
    signature = types.void(
        source, types.int64, types.int64, wx, types.int64, wy, types.int64, out, types.int64
    )

    def generate(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        source_v, at_v, stride_v, wx_v, wx_at_v, wy_v, wy_at_v, out_v, out_at_v = args
        sample = ir.IntType(sig.args[0].dtype.bitwidth)
        i32, f32 = ir.IntType(32), ir.FloatType()

        def data(index: int, value: Any) -> Any:
            return context.make_array(sig.args[index])(context, builder, value).data

        def lanes(pointer: Any, offset: Any, element: Any, count: int, align: int) -> Any:
            at_lane = builder.gep(pointer, [offset])
            vector = ir.VectorType(element, count)
            return builder.load(builder.bitcast(at_lane, vector.as_pointer()), align=align)

        def splat(scalar: Any, count: int) -> Any:
            vector = ir.VectorType(f32, count)
            one = builder.insert_element(ir.Constant(vector, ir.Undefined), scalar, ir.Constant(i32, 0))
            zeros = ir.Constant(ir.VectorType(i32, count), [0] * count)
            return builder.shuffle_vector(one, ir.Constant(vector, ir.Undefined), zeros)

        pixels, weights_x = data(0, source_v), data(3, wx_v)
        weights_y, result = data(5, wy_v), data(7, out_v)
        bytes_each = sample.width // 8
        totals: list[Any] = [None, None]
        for row in range(TAPS):
            start = builder.add(at_v, builder.mul(stride_v, ir.Constant(ir.IntType(64), row)))
            weight = builder.load(
                builder.gep(weights_y, [builder.add(wy_at_v, ir.Constant(ir.IntType(64), row))]), align=4
            )
            for part, (first, count) in enumerate(((0, 16), (14, 4))):
                offset = builder.add(start, ir.Constant(ir.IntType(64), first))
                codes = lanes(pixels, offset, sample, count, bytes_each)
                wide = builder.zext(codes, ir.VectorType(i32, count))
                values = builder.sitofp(wide, ir.VectorType(f32, count))
                term = builder.fmul(values, splat(weight, count))
                totals[part] = term if row == 0 else builder.fadd(totals[part], term)
        along = [
            builder.fmul(
                totals[part],
                lanes(weights_x, builder.add(wx_at_v, ir.Constant(ir.IntType(64), first)), f32, count, 4),
            )
            for part, (first, count) in enumerate(((0, 16), (16, 4)))
        ]

        def three(part: int, count: int, first: int) -> Any:
            picks = [first, first + 1, first + 2, first + 2]
            mask = ir.Constant(ir.VectorType(i32, 4), picks)
            return builder.shuffle_vector(
                along[part], ir.Constant(ir.VectorType(f32, count), ir.Undefined), mask
            )

        p = [three(0, 16, 3 * k) for k in range(5)] + [three(1, 4, 1)]
        total = builder.fadd(
            builder.fadd(builder.fadd(p[0], p[1]), builder.fadd(p[2], p[3])), builder.fadd(p[4], p[5])
        )
        target = builder.bitcast(builder.gep(result, [out_at_v]), ir.VectorType(f32, 4).as_pointer())
        builder.store(total, target, align=4)
        return context.get_dummy_value()

    return signature, generate


weigh_taps: Any = intrinsic(_weigh_taps)
