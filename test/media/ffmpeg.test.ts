// The programs found are the real ones; where none are, only the searching is tested.
import { chmod, mkdir, readFile, stat, symlink, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { describe, expect, onTestFinished, test } from 'vitest';
import { UsageError } from '../../src/errors.js';
import { ffmpegMissing, findFfmpeg, probe, remuxReadable, still } from '../../src/media/ffmpeg.js';
import { recogniseFile } from '../../src/media/recognise.js';
import { drawClip, freshFolder, tools } from './drawn.js';

const clips = {
  mp4: ['-c:v', 'libx264', '-g', '10', '-f', 'mp4'],
  mpegts: ['-c:v', 'libx264', '-g', '10', '-f', 'mpegts'],
  h264: ['-c:v', 'libx264', '-g', '10', '-f', 'h264'],
  avi: ['-c:v', 'mjpeg', '-pix_fmt', 'yuvj420p', '-f', 'avi'],
  matroska: ['-c:v', 'libx264', '-g', '10', '-f', 'matroska'],
};

function usePath(path: string): void {
  const before = process.env['PATH'];
  process.env['PATH'] = path;
  onTestFinished(() => {
    process.env['PATH'] = before;
  });
}

test('the note on a missing ffmpeg says how to get it', () => {
  expect(ffmpegMissing).toMatch(/Install ffmpeg/);
});

test('a program the user named that does not run is a usage error', async () => {
  const path = join(await freshFolder(), 'ffmpeg');
  await expect(findFfmpeg({ ffmpegPath: path })).rejects.toThrow(UsageError);
  await expect(findFfmpeg({ ffmpegPath: path })).rejects.toThrow(/expected ffmpeg itself, but it does not run/);
});

describe.runIf(tools)('with ffmpeg', () => {
  test.skipIf(process.platform === 'win32')(
    'PATH comes before the packages, but only its absolute folders',
    async () => {
      const folder = await freshFolder();
      await mkdir(join(folder, 'bin'));
      for (const name of ['ffmpeg', 'ffprobe'] as const) await symlink(tools![name], join(folder, 'bin', name));
      usePath(`.:bin:${folder}/none:${folder}/bin`);
      expect(await findFfmpeg()).toMatchObject({ ffmpeg: `${folder}/bin/ffmpeg`, ffprobe: `${folder}/bin/ffprobe` });
    },
  );

  test.each(Object.entries(clips))('a clip in %s is probed, shown and copied', async (format, encoding) => {
    const folder = await freshFolder();
    const path = join(folder, 'clip');
    await drawClip(path, ...encoding);
    const found = await recogniseFile(path);
    expect(found.format).toBe(format);
    const facts = await probe(tools!, path, found);
    expect(facts).toMatchObject({ codec: format === 'avi' ? 'mjpeg' : 'h264', width: 320, height: 240 });
    expect(facts!.seconds).toBeCloseTo(2, 1);
    if (facts!.frames !== undefined) expect(facts!.frames).toBe(50);

    expect(await still(tools!, path, found, 1, join(folder, 'still.png'))).toBe(true);
    expect((await recogniseFile(join(folder, 'still.png'))).format).toBe('png');

    const mp4 = join(folder, 'out.mp4');
    expect(await remuxReadable(tools!, path, found, mp4)).toBe(true);
    const copied = await probe(tools!, mp4, await recogniseFile(mp4));
    expect(copied).toMatchObject({ width: 320, height: 240, frames: 50 });
  });

  test('no name is read as an option, a pattern or a protocol', async () => {
    const folder = await freshFolder();
    for (const name of ['-f lavfi.mp4', 'concat:a|b.mp4', '%03d [page=2].mp4', 'http:x.mp4', "a'b\nc.mp4"]) {
      const path = join(folder, name);
      await drawClip(`file:${path}`, ...clips.mp4);
      const format = await recogniseFile(path);
      expect(await probe(tools!, path, format)).toMatchObject({ width: 320 });
      expect(await still(tools!, path, format, 0, `${path}.png`)).toBe(true);
      expect((await stat(`${path}.png`)).size).toBeGreaterThan(1000);
    }
  });

  test('a list of other files is not followed, whatever format it is taken for', async () => {
    const folder = await freshFolder();
    await drawClip(join(folder, 'other.mp4'), ...clips.mp4);
    const list = join(folder, 'clip.mp4');
    await writeFile(list, `ffconcat version 1.0\nfile ${folder}/other.mp4\n`);
    expect((await recogniseFile(list)).kind).toBe('other');
    for (const format of ['mp4', 'mpegts', 'matroska', 'text'] as const) {
      const taken = { kind: 'video', format, extension: 'x' } as const;
      expect(await probe(tools!, list, taken)).toBeNull();
      expect(await still(tools!, list, taken, 0, join(folder, 'p.png'))).toBe(false);
      expect(await remuxReadable(tools!, list, taken, join(folder, 'o.mp4'))).toBe(false);
    }
  });

  test('a still after the end of the clip is refused', async () => {
    const folder = await freshFolder();
    const path = join(folder, 'clip.mp4');
    await drawClip(path, ...clips.mp4);
    expect(await still(tools!, path, await recogniseFile(path), 30, join(folder, 'p.png'))).toBe(false);
  });

  test.skipIf(process.platform === 'win32')('a program that hangs is killed at the limit', async () => {
    const folder = await freshFolder();
    const named: { ffmpegPath?: string; ffprobePath?: string } = {};
    for (const name of ['ffmpeg', 'ffprobe'] as const) {
      const path = join(folder, name);
      await writeFile(path, `#!/bin/sh\ncase "$*" in *" -i "*) exec sleep 100;; esac\nexec "${tools![name]}" "$@"\n`);
      await chmod(path, 0o755);
      named[`${name}Path`] = path;
    }
    const hanging = (await findFfmpeg({ ...named, limitSeconds: 0.3 }))!;
    const path = join(folder, 'clip.mp4');
    await drawClip(path, ...clips.mp4);
    const began = Date.now();
    expect(await probe(hanging, path, await recogniseFile(path))).toBeNull();
    expect(await still(hanging, path, await recogniseFile(path), 0, join(folder, 'p.png'))).toBe(false);
    expect(Date.now() - began).toBeLessThan(10_000);
  });

  test('a picture of nothing but noise under a clip format gives no facts and no crash', async () => {
    const folder = await freshFolder();
    const path = join(folder, 'clip.ts');
    const bytes = Buffer.from((await readFile(process.execPath)).subarray(0, 188 * 400));
    for (let at = 0; at < bytes.length; at += 188) bytes[at] = 0x47;
    await writeFile(path, bytes);
    const format = await recogniseFile(path);
    expect(format.format).toBe('mpegts');
    expect(await probe(tools!, path, format)).toBeNull();
  });
});
