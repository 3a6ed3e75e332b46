// The seven passes of an interlaced PNG (PNG specification, third edition, 8.1): their sizes, and their pixels put in plain order.

/** First column, first row, step between columns, step between rows. */
const adam7 = [
  [0, 0, 8, 8],
  [4, 0, 8, 8],
  [0, 4, 4, 8],
  [2, 0, 4, 4],
  [0, 2, 2, 4],
  [1, 0, 2, 2],
  [0, 1, 1, 2],
] as const;

type Size = { readonly width: number; readonly height: number; readonly pixelBits: number };
/** Rows of a pass as they are deflated; `rowBytes` with the filter type, `start` in the inflated whole. */
export type Pass = {
  readonly columns: number;
  readonly rows: number;
  readonly rowBytes: number;
  readonly start: number;
};

export function passesOf({ width, height, pixelBits }: Size): Pass[] {
  let next = 0;
  return adam7.map(([column, row, columnStep, rowStep]) => {
    const columns = Math.ceil(Math.max(0, width - column) / columnStep);
    const rows = columns === 0 ? 0 : Math.ceil(Math.max(0, height - row) / rowStep);
    const rowBytes = 1 + Math.ceil((columns * pixelBits) / 8);
    const start = next;
    next += rows * rowBytes;
    return { columns, rows, rowBytes, start };
  });
}

/**
 * Rows `[start, end)` of the picture, with filter type 0.
 *
 * @param passes all of them with their filters undone, as they follow each other; not changed, not kept
 */
export function plainRows(passes: Buffer, size: Size, start: number, end: number): Buffer {
  const { width, pixelBits } = size;
  const rowBytes = 1 + Math.ceil((width * pixelBits) / 8);
  const plain = Buffer.alloc(rowBytes * (end - start));
  for (const [i, pass] of passesOf(size).entries()) {
    const [column, row, columnStep, rowStep] = adam7[i]!;
    const first = Math.max(0, Math.ceil((start - row) / rowStep));
    for (let r = first, y = row + first * rowStep; r < pass.rows && y < end; r++, y += rowStep) {
      const [from, to] = [pass.start + r * pass.rowBytes + 1, (y - start) * rowBytes + 1];
      for (let c = 0, x = column; c < pass.columns; c++, x += columnStep) {
        movePixel(passes, from, c, plain, to, x, pixelBits);
      }
    }
  }
  return plain;
}

/** Pixels of less than a byte begin at its high bits. */
function movePixel(
  source: Buffer,
  from: number,
  c: number,
  to: Buffer,
  at: number,
  x: number,
  pixelBits: number,
): void {
  if (pixelBits >= 8) {
    const bytes = pixelBits >> 3;
    for (let i = 0; i < bytes; i++) to[at + x * bytes + i] = source[from + c * bytes + i]!;
    return;
  }
  const shift = 8 - pixelBits - ((c * pixelBits) & 7);
  const value = (source[from + ((c * pixelBits) >> 3)]! >> shift) & ((1 << pixelBits) - 1);
  to[at + ((x * pixelBits) >> 3)]! |= value << (8 - pixelBits - ((x * pixelBits) & 7));
}
