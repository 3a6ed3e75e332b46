// What is drawn over frames that are not exact, on bare pictures of 8 bits, 4:2:0: a hatched frame around what is shown,
// or a hatched slate where there is nothing to show. Marks are grey stripes, so that no eye takes them for the picture.
import type { FrameClass } from './frame-classes.js';

export type PictureSize = { readonly width: number; readonly height: number };

/** Bytes of one picture. */
export function pictureBytes({ width, height }: PictureSize): number {
  return (width * height * 3) / 2;
}

/** How wide the hatched frame is, in parts of the height: damaged frames stand out most. */
const frameParts: Readonly<Record<'damaged' | 'tainted' | 'held', number>> = {
  damaged: 1 / 12,
  tainted: 1 / 24,
  held: 1 / 48,
};

/** A picture of nothing but stripes. */
export function slate(size: PictureSize): Buffer {
  const picture = Buffer.alloc(pictureBytes(size), neutral);
  hatch(picture, size, 0, [96, 128]);
  return picture;
}

/** @param picture written over */
export function mark(
  picture: Buffer,
  size: PictureSize,
  kind: Exclude<FrameClass, 'exact' | 'missing'> | 'held',
): void {
  const wide = 2 * Math.max(2, Math.round((size.height * frameParts[kind]) / 2));
  hatch(picture, size, wide, [40, 200]);
}

const neutral = 128;

/** @param frame pixels from each edge, an even number; 0 for the whole picture */
function hatch(
  picture: Buffer,
  { width, height }: PictureSize,
  frame: number,
  levels: readonly [number, number],
): void {
  const period = 2 * Math.max(4, Math.round(height / 30));
  const stripes = Buffer.alloc(width + period);
  for (let x = 0; x < stripes.length; x++) stripes[x] = x % period < period / 2 ? levels[0] : levels[1];
  const rowIsAll = (y: number, rows: number, edge: number) => frame === 0 || y < edge || y >= rows - edge;
  for (let y = 0; y < height; y++) {
    const shift = y % period;
    if (rowIsAll(y, height, frame)) stripes.copy(picture, y * width, shift, shift + width);
    else {
      stripes.copy(picture, y * width, shift, shift + frame);
      stripes.copy(picture, (y + 1) * width - frame, shift + width - frame, shift + width);
    }
  }
  const [columns, rows, edge] = [width / 2, height / 2, frame / 2];
  for (let plane = 0; plane < 2; plane++) {
    const start = width * height + plane * columns * rows;
    for (let y = 0; y < rows; y++) {
      const row = start + y * columns;
      if (rowIsAll(y, rows, edge)) picture.fill(neutral, row, row + columns);
      else {
        picture.fill(neutral, row, row + edge);
        picture.fill(neutral, row + columns - edge, row + columns);
      }
    }
  }
}
