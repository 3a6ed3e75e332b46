// Draws the true files of the Dotterel campaign into a folder: five pictures in the formats that behave differently when parts
// are missing, the clip, and a telemetry log. Needs ffmpeg (from the optional package) and cjpeg (Debian: libjpeg-turbo-progs).
import { spawnSync } from 'node:child_process';
import { mkdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import ffmpegInstaller from '@ffmpeg-installer/ffmpeg';
import sharp, { type Sharp } from 'sharp';
import { seededRandom } from '../src/rehearsal/random.js';
import { cloudLight, develop, sensorFrame, type View } from './clouds.js';
import { grain } from './noise.js';
import { CLIP, sailFrame } from './sail.js';

const VIEWS = {
  limb: { width: 1280, height: 960, seed: 101, span: 190, limb: 0.82, tilt: 0.1, twist: 0.25, waves: 4, grain: 8 },
  waves: { width: 1280, height: 960, seed: 202, span: 90, limb: 1.02, tilt: -0.08, twist: 0.35, waves: 7, grain: 8 },
  whirl: { width: 1200, height: 800, seed: 303, span: 110, limb: 1.0, tilt: 0.18, twist: 1, waves: 3, grain: 8 },
  veil: { width: 440, height: 330, seed: 404, span: 130, limb: 0.9, tilt: -0.2, twist: 0.6, waves: 5, grain: 2.5 },
  sensor: { width: 576, height: 432, seed: 505, span: 150, limb: 0.85, tilt: 0.02, twist: 0.45, waves: 6, grain: 0 },
} as const satisfies Record<string, View>;

/** Writes all files anew into `folder`. */
export async function drawFiles(folder: string): Promise<void> {
  rmSync(folder, { recursive: true, force: true });
  mkdirSync(folder, { recursive: true });
  const picture = (view: View): Sharp =>
    sharp(develop(cloudLight(view), view), { raw: { width: view.width, height: view.height, channels: 3 } });
  const write = (name: string, bytes: Uint8Array | string): void => writeFileSync(join(folder, name), bytes);

  write('limb-0101.jpg', await picture(VIEWS.limb).jpeg({ quality: 88 }).toBuffer());
  write('waves-0102.jpg', jpegWithRestarts(VIEWS.waves, 88));
  write('whirl-0103.jpg', await picture(VIEWS.whirl).jpeg({ quality: 88, progressive: true }).toBuffer());
  write('veil-0104.png', await picture(VIEWS.veil).png({ compressionLevel: 9 }).toBuffer());
  write('sensor-0105.raw', sensorFrame(cloudLight(VIEWS.sensor), VIEWS.sensor));
  write('sail-0106.mp4', encodeClip(join(folder, 'sail-0106.mp4')));
  write('telemetry-0107.csv', telemetry());
}

/** A baseline JPEG with a restart marker after every row of MCUs, which sharp cannot write. */
function jpegWithRestarts(view: View, quality: number): Uint8Array {
  const header = Buffer.from(`P6\n${view.width} ${view.height}\n255\n`);
  const pixels = develop(cloudLight(view), view);
  return run('cjpeg', ['-quality', String(quality), '-restart', '1', '-optimize'], Buffer.concat([header, pixels]));
}

/** H.264 in MP4 with its index in front. One thread, no version strings: the same frames give the same bytes. */
function encodeClip(path: string): Uint8Array {
  const frames = Buffer.concat(Array.from({ length: CLIP.frames }, (_, index) => sailFrame(index)));
  const scratch = `${path}.tmp.mp4`;
  run(
    ffmpegInstaller.path,
    [
      ...['-v', 'error', '-f', 'rawvideo', '-pix_fmt', 'rgb24', '-s', `${CLIP.width}x${CLIP.height}`],
      ...[
        '-r',
        String(CLIP.framesPerSecond),
        '-i',
        'pipe:0',
        '-c:v',
        'libx264',
        '-preset',
        'slow',
        '-crf',
        '20',
        '-g',
        '25',
      ],
      ...['-pix_fmt', 'yuv420p', '-threads', '1', '-fflags', '+bitexact', '-flags:v', '+bitexact'],
      ...['-movflags', '+faststart', '-y', scratch],
    ],
    frames,
  );
  const bytes = readFileSync(scratch);
  rmSync(scratch);
  return bytes;
}

/** One line every two seconds: battery, temperature, three axes of rotation. */
function telemetry(): string {
  const random = seededRandom(606, 'telemetry');
  const lines = ['utc,battery_v,board_c,rate_x_deg_s,rate_y_deg_s,rate_z_deg_s,beam_on'];
  for (let i = 0; i < 300; i++) {
    const utc = new Date(Date.UTC(2027, 2, 13, 23, 40) + 2000 * i).toISOString();
    const rate = [0.21, 3.83, -0.35].map((mean) => (mean + 0.03 * grain(random)).toFixed(3));
    const battery = (7.9 - 0.0006 * i + 0.01 * grain(random)).toFixed(3);
    lines.push([utc, battery, (11 + 4 * Math.sin(i / 47) + 0.1 * grain(random)).toFixed(2), ...rate, 1].join(','));
  }
  return `${lines.join('\n')}\n`;
}

function run(command: string, args: readonly string[], input: Buffer): Buffer {
  const { status, stdout, stderr, error } = spawnSync(command, args, { input, maxBuffer: 2 ** 28 });
  if (error) throw new Error(`${command} cannot be started: ${error.message}`);
  if (status !== 0) throw new Error(`${command} failed: ${stderr.toString()}`);
  return stdout;
}
