// Judged by what the encoders (sharp, ffmpeg) were told to write.
import { writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import sharp from 'sharp';
import { describe, expect, test } from 'vitest';
import { describeMedia } from '../../src/media/describe.js';
import { recogniseFile } from '../../src/media/recognise.js';
import { thumbnail } from '../../src/media/thumbnail.js';
import { drawClip, drawPicture, freshFolder, tools } from './drawn.js';

async function written(name: string, bytes: Uint8Array | string): Promise<string> {
  const path = join(await freshFolder(), name);
  await writeFile(path, bytes);
  return path;
}

const pictures = ['jpeg', 'png', 'gif', 'tiff', 'webp'] as const;

describe.each([
  ['without ffmpeg', null],
  ['with ffmpeg', tools],
])('%s', (_, given) => {
  test.each(pictures)('a whole %s picture is described and gets a thumbnail', async (format) => {
    const path = await written('[page=3]', await drawPicture(300, 200).toFormat(format).toBuffer());
    expect(await describeMedia(path, given)).toEqual({ kind: 'picture', format, width: 300, height: 200 });
    const small = await thumbnail(path, await recogniseFile(path), given);
    expect(small).toMatchObject({ width: 240, height: 160 });
    expect(small!.dataUri.length).toBeLessThanOrEqual(20_000);
    const shown = sharp(Buffer.from(small!.dataUri.replace('data:image/webp;base64,', ''), 'base64'));
    expect(await shown.metadata()).toMatchObject({ format: 'webp', width: 240, height: 160 });
  });

  test.each(pictures)('a %s picture that ends early does not decode, and is no error', async (format) => {
    const whole = await drawPicture(300, 200).toFormat(format).toBuffer();
    const path = await written('cut', whole.subarray(0, Math.floor(whole.length * 0.9)));
    expect(await describeMedia(path, given)).toEqual({ kind: 'other', format: `${format} (does not decode)` });
    expect(await thumbnail(path, await recogniseFile(path), given)).toBeNull();
  });

  test('text is told, noise and nothing are not described, and none has a thumbnail', async () => {
    const cases = [
      ['file,name\n', { kind: 'other', format: 'text' }],
      [Buffer.alloc(100), null],
      ['', null],
    ] as const;
    for (const [content, expected] of cases) {
      const path = await written('x.jpg', content);
      expect(await describeMedia(path, given)).toEqual(expected);
      expect(await thumbnail(path, await recogniseFile(path), given)).toBeNull();
    }
  });

  test('a picture with more pixels than the limit is refused unread', async () => {
    const black = await sharp({ create: { width: 11_000, height: 10_000, channels: 3, background: '#000' } })
      .png()
      .toBuffer();
    expect(black.length).toBeLessThan(1_000_000);
    const path = await written('huge.png', black);
    expect(await describeMedia(path, given)).toEqual({ kind: 'other', format: 'png (does not decode)' });
  });
});

test('a noisy picture still gets a thumbnail of at most 20 kB', async () => {
  const path = await written(
    'noise.jpg',
    await drawPicture(240, 320, 'textured').sharpen({ sigma: 5 }).jpeg().toBuffer(),
  );
  const small = await thumbnail(path, await recogniseFile(path), null);
  expect(small!.dataUri.length).toBeLessThanOrEqual(20_000);
  expect(small).toMatchObject({ width: 240, height: 320 });
});

describe.runIf(tools)('clips', () => {
  test('a clip is described, and shown by the frame at a third of it', async () => {
    const path = join(await freshFolder(), 'clip.mp4');
    await drawClip(path, '-c:v', 'libx264');
    const told = { kind: 'video', format: 'mp4', codec: 'h264', width: 320, height: 240, seconds: 2, frames: 50 };
    expect(await describeMedia(path, tools)).toEqual(told);
    expect(await thumbnail(path, await recogniseFile(path), tools)).toMatchObject({ width: 240, height: 180 });
  });

  test('a bare H.265 stream is described, and has a thumbnail', async () => {
    const path = join(await freshFolder(), 'clip.h265');
    await drawClip(path, '-c:v', 'libx265', '-x265-params', 'log-level=none', '-f', 'hevc');
    const told = { kind: 'video', format: 'hevc', codec: 'hevc', width: 320, height: 240, frames: 50 };
    expect(await describeMedia(path, tools)).toMatchObject(told);
    expect(await thumbnail(path, await recogniseFile(path), tools)).toMatchObject({ width: 240, height: 180 });
  });

  test('without ffmpeg a clip is only recognised', async () => {
    const path = join(await freshFolder(), 'clip.mp4');
    await drawClip(path, '-c:v', 'libx264');
    expect(await describeMedia(path, null)).toEqual({ kind: 'other', format: 'mp4' });
    expect(await thumbnail(path, await recogniseFile(path), null)).toBeNull();
  });

  test('a clip without its index does not decode', async () => {
    const path = await written(
      'clip.mp4',
      Buffer.concat([Buffer.from('\0\0\0\x10ftypisom\0\0\0\0'), Buffer.alloc(5000)]),
    );
    expect(await describeMedia(path, tools)).toEqual({ kind: 'other', format: 'mp4 (does not decode)' });
  });
});
