// Files are written by real encoders (sharp, ffmpeg): what they write is what must be recognised.
import { readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { expect, test } from 'vitest';
import { recogniseFile, recogniseMedia } from '../../src/media/recognise.js';
import { drawClip, drawPicture, freshFolder, tools } from './drawn.js';

test.each(['jpeg', 'png', 'gif', 'tiff', 'webp'] as const)('a %s picture is recognised', async (format) => {
  const bytes = await drawPicture(40, 30).toFormat(format).toBuffer();
  expect(recogniseMedia(bytes)).toMatchObject({ kind: 'picture', format });
});

test('an AVIF picture is a picture, though it is boxed like a clip', async () => {
  const bytes = await drawPicture(40, 30).avif().toBuffer();
  expect(recogniseMedia(bytes)).toEqual({ kind: 'picture', format: 'heif', extension: 'avif' });
});

test.runIf(tools).each([
  ['mp4', 'mp4', ['-c:v', 'libx264', '-f', 'mp4']],
  ['mp4', 'mov', ['-c:v', 'libx264', '-f', 'mov']],
  ['mpegts', 'ts', ['-c:v', 'libx264', '-f', 'mpegts']],
  ['h264', 'h264', ['-c:v', 'libx264', '-f', 'h264']],
  ['h264', 'h264', ['-c:v', 'libx264', '-x264-params', 'aud=1', '-f', 'h264']],
  ['hevc', 'h265', ['-c:v', 'libx265', '-x265-params', 'log-level=none', '-f', 'hevc']],
  ['hevc', 'h265', ['-c:v', 'libx265', '-x265-params', 'aud=1:log-level=none', '-f', 'hevc']],
  ['avi', 'avi', ['-c:v', 'mjpeg', '-pix_fmt', 'yuvj420p', '-f', 'avi']],
  ['matroska', 'mkv', ['-c:v', 'libx264', '-f', 'matroska']],
  ['matroska', 'webm', ['-c:v', 'libvpx', '-f', 'webm']],
])('a clip in %s is recognised and called .%s, whatever its name says', async (format, extension, encoding) => {
  const path = join(await freshFolder(), 'clip.txt');
  await drawClip(path, ...encoding);
  expect(await recogniseFile(path)).toEqual({ kind: 'video', format, extension });
});

test('text is recognised, also where the head ends inside a character', () => {
  const text = Buffer.from('file,name,bytes\n7,l\u00e9mb.jpg,12\n');
  expect(recogniseMedia(text).format).toBe('text');
  expect(recogniseMedia(Buffer.from('sol\u00e9').subarray(0, 4)).format).toBe('text');
});

test.each([
  ['nothing', Buffer.alloc(0)],
  ['zeros', Buffer.alloc(4096)],
  ['one sync byte of a transport stream', Buffer.from('G\0')],
  ['a start code with an impossible unit', Buffer.from([0, 0, 0, 1, 0xe7, 100])],
  ['a start code without a parameter set', Buffer.from([0, 0, 0, 1, 0x65, 100, 1])],
  ['a start code and nothing', Buffer.from([0, 0, 1])],
  ['a Latin-1 text, which could be anything', Buffer.from('l\u00e9mb', 'latin1')],
])('%s is unknown', (_, bytes) => {
  expect(recogniseMedia(bytes)).toEqual({ kind: 'other', format: 'unknown', extension: 'bin' });
});

test('every cut of a head is answered', async () => {
  const head = (await readFile(new URL(import.meta.url))).subarray(0, 300);
  const jpeg = await drawPicture(20, 20).jpeg().toBuffer();
  for (let n = 0; n < 300; n++) for (const bytes of [head, jpeg]) recogniseMedia(bytes.subarray(0, n));
  expect(recogniseMedia(jpeg.subarray(0, 2)).format).toBe('unknown');
});
