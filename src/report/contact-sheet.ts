// One picture of all pictures: the thumbnails with file names and states below, as a PNG.

import { sharpLibrary } from '../media/sharp-library.js';
import { filesByNeed, stateSign } from './file-state.js';
import type { Report, Thumbnail } from './model.js';
import { plainText } from './plain-text.js';
import { counted, perCent } from './quantity.js';
import { visibleText } from './visible-text.js';

const MARGIN = 16;
const LABEL_HEIGHT = 40;
const TITLE_HEIGHT = 56;
/** More do not fit into a picture that viewers open. */
const MOST = 2000;

/** Width and height of the box a thumbnail is fitted into: smaller where there are many. */
function boxFor(number: number): number {
  return number <= 100 ? 240 : number <= 400 ? 160 : 112;
}

/** PNG, pictures that need a look first; `null` where there is no picture. */
export async function contactSheet({ coverage, thumbnails }: Report): Promise<Buffer | null> {
  const all = filesByNeed(coverage.files).flatMap((file) => {
    const thumbnail = thumbnails.get(file.id);
    return thumbnail ? [{ file, thumbnail }] : [];
  });
  const shown = all.slice(0, MOST);
  if (shown.length === 0) return null;
  const box = boxFor(shown.length);
  const columns = Math.max(Math.min(3, shown.length), Math.ceil(Math.sqrt(shown.length)));
  const [cellWidth, cellHeight] = [box + MARGIN, box + LABEL_HEIGHT + MARGIN];
  const width = Math.max(columns * cellWidth + MARGIN, 420);
  const height = TITLE_HEIGHT + Math.ceil(shown.length / columns) * cellHeight + MARGIN;
  const place = (index: number): { left: number; top: number } => ({
    left: MARGIN + (index % columns) * cellWidth,
    top: TITLE_HEIGHT + Math.floor(index / columns) * cellHeight,
  });
  const letters = Math.floor(box / 7.2);
  const labels = shown.map(({ file }, index) => {
    const { left, top } = place(index);
    const { received, total } = file.segments;
    const line = (text: string, y: number, colour: string): string =>
      `<text x="${left}" y="${y}" font-size="12" fill="${colour}">${xmlText(plainText(visibleText(text), letters))}</text>`;
    return (
      line(file.name, top + box + 15, '#1b2126') +
      line(`${stateSign[file.state]} ${file.state}, ${perCent(received, total)}`, top + box + 31, '#57616a')
    );
  });
  const rest = all.length > shown.length ? `, ${counted(all.length - shown.length, 'more picture')} left out` : '';
  const title = plainText(
    visibleText(`${coverage.mission}: ${counted(all.length, 'picture')}${rest}`),
    Math.floor(width / 11),
  );
  const text = `<svg xmlns="http://www.w3.org/2000/svg" width="${width}" height="${height}" font-family="sans-serif">
<text x="${MARGIN}" y="36" font-size="20" font-weight="bold" fill="#1b2126">${xmlText(title)}</text>${labels.join('')}</svg>`;
  const pictures = await Promise.all(
    shown.map(async ({ thumbnail }, index) => {
      const { data, info } = await fitted(thumbnail, box);
      const { left, top } = place(index);
      return {
        input: data,
        left: left + Math.floor((box - info.width) / 2),
        top: top + Math.floor((box - info.height) / 2),
      };
    }),
  );
  return sharpLibrary()({ create: { width, height, channels: 3, background: '#fff' } })
    .composite([...pictures, { input: Buffer.from(text), left: 0, top: 0 }])
    .png()
    .toBuffer();
}

function fitted({ dataUri }: Thumbnail, box: number) {
  const bytes = Buffer.from(dataUri.slice(dataUri.indexOf(',') + 1), 'base64');
  return sharpLibrary()(bytes)
    .resize({ width: box, height: box, fit: 'inside', withoutEnlargement: true })
    .png()
    .toBuffer({ resolveWithObject: true });
}

/** Text of an XML document. Control characters, which XML 1.0 forbids (2.2), are already spelled out. */
function xmlText(text: string): string {
  const entities: Readonly<Record<string, string>> = { '&': '&amp;', '<': '&lt;', '>': '&gt;' };
  return text.replace(/[&<>]/g, (character) => entities[character]!);
}
