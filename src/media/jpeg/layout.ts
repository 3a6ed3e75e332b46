// Where the blocks of a picture lie: ITU-T T.81, A.2. All coefficients are kept MCU by MCU, as an interleaved scan holds them.
import type { JpegFrame } from './header.js';

export type Layout = {
  /** MCUs in a row, and rows of MCUs. */
  readonly across: number;
  readonly down: number;
  readonly mcus: number;
  /** Pixels that an MCU covers. */
  readonly mcuWidth: number;
  readonly mcuHeight: number;
  readonly blocksPerMcu: number;
  /** By component: its first block in the MCU, its blocks across and down in the MCU, and its blocks in a scan of its own. */
  readonly parts: readonly {
    readonly first: number;
    readonly h: number;
    readonly v: number;
    readonly blocksAcross: number;
    readonly blocksDown: number;
  }[];
};

export function layoutOf({ width, height, components }: JpegFrame): Layout {
  const single = components.length === 1;
  const hMost = Math.max(...components.map(({ h }) => h));
  const vMost = Math.max(...components.map(({ v }) => v));
  // A picture of one component has one block per MCU, whatever its sampling says.
  const mcuWidth = single ? 8 : 8 * hMost;
  const mcuHeight = single ? 8 : 8 * vMost;
  const across = Math.ceil(width / mcuWidth);
  const down = Math.ceil(height / mcuHeight);
  let first = 0;
  const parts = components.map(({ h, v }) => {
    const part = {
      first,
      h: single ? 1 : h,
      v: single ? 1 : v,
      blocksAcross: Math.ceil(Math.ceil((width * h) / hMost) / 8),
      blocksDown: Math.ceil(Math.ceil((height * v) / vMost) / 8),
    };
    first += part.h * part.v;
    return part;
  });
  return { across, down, mcus: across * down, mcuWidth, mcuHeight, blocksPerMcu: first, parts };
}

/** Index among all blocks of the picture of block `n` of a scan that holds component `c` alone. */
export function blockOfScan({ across, blocksPerMcu, parts }: Layout, c: number, n: number): number {
  const { first, h, v, blocksAcross } = parts[c]!;
  const y = Math.floor(n / blocksAcross);
  const x = n - y * blocksAcross;
  const mcu = Math.floor(y / v) * across + Math.floor(x / h);
  return mcu * blocksPerMcu + first + (y % v) * h + (x % h);
}
