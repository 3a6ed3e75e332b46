// The only door to ffmpeg and ffprobe: finding them, and the few things asked of them. Downlinked files are untrusted:
// paths are absolute and prefixed with `file:`, the demuxer is forced by the recognised content and no protocol but
// `file` is allowed, so that neither a name nor a playlist inside can reach anything else.
import { execFile } from 'node:child_process';
import { rmSync } from 'node:fs';
import { access, chmod, constants, copyFile, mkdtemp, stat } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { delimiter, isAbsolute, join, resolve } from 'node:path';
import { type Readable, Transform, Writable } from 'node:stream';
import ffmpegCommand from 'fluent-ffmpeg';
import { UsageError } from '../errors.js';
import { pixelLimit } from './picture.js';
import type { MediaFormat, MediaFormatName } from './recognise.js';

export type Tools = {
  readonly ffmpeg: string;
  readonly ffprobe: string;
  /** Added to the environment of ffprobe alone. */
  readonly probeEnvironment: Readonly<Record<string, string>>;
  /** Each run is killed after this long. */
  readonly limitSeconds: number;
};

export type VideoFacts = {
  readonly codec: string;
  readonly width: number;
  readonly height: number;
  readonly seconds: number;
  readonly frames: number | undefined;
};

/** What to tell the user where `findFfmpeg` gave `null`. */
export const ffmpegMissing: string =
  'ffmpeg and ffprobe were not found: clips are delivered byte for byte, but not described, shown or salvaged. ' +
  'Install ffmpeg with your package manager (it brings ffprobe), or install passweave with its optional packages, or name the two programs.';

const demuxers: Partial<Record<MediaFormatName, string>> = {
  mp4: 'mov',
  h264: 'h264',
  hevc: 'hevc',
  mpegts: 'mpegts',
  avi: 'avi',
  matroska: 'matroska',
};

/**
 * Finds both programs, each where the user says, else on PATH, else in the optional installer packages.
 *
 * @param options `limitSeconds`: default 60
 * @returns `null` where one of them is nowhere: not an error, see `ffmpegMissing`
 * @throws UsageError when a program that the user named does not run
 */
export async function findFfmpeg(
  options: { ffmpegPath?: string; ffprobePath?: string; limitSeconds?: number } = {},
): Promise<Tools | null> {
  const ffmpeg = await findProgram('ffmpeg', options.ffmpegPath);
  const ffprobe = ffmpeg && (await findProgram('ffprobe', options.ffprobePath));
  if (!ffmpeg || !ffprobe) return null;
  return {
    ffmpeg: ffmpeg.path,
    ffprobe: ffprobe.path,
    // The packaged ffprobe is linked statically and crashes on transport streams when it loads the system's character
    // set converters (measured); it decodes them well when it finds none.
    probeEnvironment: ffprobe.packaged ? { GCONV_PATH: '/nonexistent' } : {},
    limitSeconds: options.limitSeconds ?? 60,
  };
}

/**
 * Facts of the first video stream.
 *
 * @returns `null` where ffprobe finds no video of a known size, fails, or takes too long
 */
export async function probe(tools: Tools, path: string, format: MediaFormat): Promise<VideoFacts | null> {
  const demuxer = demuxers[format.format];
  if (demuxer === undefined) return null;
  const entries = 'stream=codec_name,width,height,nb_frames,nb_read_packets,avg_frame_rate,duration:format=duration';
  // A bare stream tells neither its length nor its frames: count them.
  const counting = isBare(format) ? ['-count_packets'] : [];
  const args = ['-v', 'error', ...guarded(demuxer), ...counting, '-select_streams', 'v:0', '-show_entries', entries];
  const output = await run(tools.ffprobe, [...args, '-of', 'json', '-i', fileUrl(path)], tools);
  return output === null ? null : readFacts(output);
}

/**
 * Writes one frame as PNG.
 *
 * @param atSeconds from the start of the clip
 * @param outPng overwritten; may be left behind incomplete where the result is `false`
 * @returns whether a frame could be decoded
 */
export async function still(
  tools: Tools,
  path: string,
  format: MediaFormat,
  atSeconds: number,
  outPng: string,
): Promise<boolean> {
  const demuxer = demuxers[format.format];
  if (demuxer === undefined) return false;
  // A bare stream has no index to seek by: it is decoded from its start.
  const seek = ['-ss', String(atSeconds)];
  const [before, after] = isBare(format) ? [[], seek] : [seek, []];
  // image2pipe, not image2: that one reads % in a file name as a pattern.
  const output = [...after, '-map', '0:v:0', '-frames:v', '1', '-c:v', 'png', '-f', 'image2pipe'];
  const input = [...before, '-max_pixels', String(pixelLimit), ...guarded(demuxer)];
  return (await convert(tools, path, input, outPng, output)) && hasContent(outPng);
}

/**
 * Copies what the demuxer can still read of a damaged clip into an MP4 that players open; nothing is encoded again.
 *
 * @param outMp4 overwritten; may be left behind incomplete where the result is `false`
 * @returns whether an MP4 was written; not whether a frame of it decodes
 */
export async function remuxReadable(tools: Tools, path: string, format: MediaFormat, outMp4: string): Promise<boolean> {
  const demuxer = demuxers[format.format];
  if (demuxer === undefined) return false;
  const input = ['-err_detect', 'ignore_err', '-fflags', '+discardcorrupt+genpts', ...guarded(demuxer)];
  const output = ['-c', 'copy', '-movflags', '+faststart', '-f', 'mp4'];
  // Sound that MP4 cannot hold, or that is too damaged to be described, must not cost the picture.
  for (const sound of [['-map', '0:a:0?'], []]) {
    const written = await convert(tools, path, input, outMp4, ['-map', '0:v:0', ...sound, ...output]);
    if (written && (await hasContent(outMp4))) return true;
  }
  return false;
}

/** A frame that came out of a decoder: its time in ticks of the MP4's time scale, and the MD5 over its samples. */
export type DecodedFrame = { readonly time: number; readonly md5: string };

/** Damaged frames too, in the order shown, whatever the stream says of reordering; one thread, so that runs are alike. */
const everyFrame = ['-threads', '1', '-flags', '+output_corrupt', '-flags2', '+showall', '-strict', '1'];

/**
 * Decodes an MP4 and tells which frames come out.
 *
 * @param path an MP4 of our own making
 * @returns in the order shown; what came out up to then where the decoder fails or makes no progress for `limitSeconds`
 */
export async function decodedFrames(tools: Tools, path: string): Promise<DecodedFrame[]> {
  const output = ['-map', '0:v:0', '-vsync', '0', '-enc_time_base', '-1', '-f', 'framemd5'];
  const chunks: Buffer[] = [];
  const sink = new Writable({
    write: (chunk: Buffer, _, done) => {
      chunks.push(chunk);
      done();
    },
  });
  await stream(tools, { path, options: [...everyFrame, '-copyts', ...guarded('mov')] }, sink, output);
  const frames: DecodedFrame[] = [];
  for (const line of Buffer.concat(chunks).toString('latin1').split('\n')) {
    // stream, decoding time, time, duration, size, MD5
    const [, , time, , , md5] = line.split(',').map((field) => field.trim());
    if (!line.startsWith('#') && md5 !== undefined) frames.push({ time: Number(time), md5 });
  }
  return frames;
}

/**
 * Decodes an MP4 to bare pictures, 8 bits, 4:2:0, the three planes of each behind one another.
 *
 * @param size even numbers; pictures of another size are scaled
 * @param to ended when the last picture is out, destroyed where the decoder fails
 */
export async function decodeTo(
  tools: Tools,
  path: string,
  size: { width: number; height: number },
  to: Writable,
): Promise<void> {
  const filter = ['-vf', `scale=${size.width}:${size.height}:flags=bicubic`, '-pix_fmt', 'yuv420p'];
  const output = ['-map', '0:v:0', '-vsync', '0', ...filter, '-f', 'rawvideo'];
  await stream(tools, { path, options: [...everyFrame, '-copyts', ...guarded('mov')] }, to, output);
}

/**
 * Encodes bare pictures, as `decodeTo` gives them, into an MP4.
 *
 * @param sound an MP4 whose sound is put beside them, or `null`; `copied` as it is, else encoded with silence in its gaps
 * @param outMp4 overwritten; may be left behind incomplete where the result is `false`
 */
export async function encodePictures(
  tools: Tools,
  pictures: Readable,
  format: { width: number; height: number; frameRate: number; encoder: 'libx264' | 'mpeg4' },
  sound: { path: string; copied: boolean } | null,
  outMp4: string,
): Promise<boolean> {
  const { width, height, frameRate, encoder } = format;
  const input = ['-f', 'rawvideo', '-pix_fmt', 'yuv420p', '-s', `${width}x${height}`, '-r', String(frameRate)];
  const quality = encoder === 'libx264' ? ['-preset', 'veryfast', '-crf', '18'] : ['-q:v', '2'];
  const output = ['-map', '0:v:0', '-c:v', encoder, ...quality, '-pix_fmt', 'yuv420p', '-movflags', '+faststart'];
  if (sound) {
    const coding = sound.copied ? ['-c:a', 'copy'] : ['-c:a', 'aac', '-af', 'aresample=async=1:first_pts=0'];
    output.push('-map', '1:a:0', ...coding);
  }
  const more = sound ? [{ path: sound.path, options: guarded('mov') }] : [];
  const finished = await stream(tools, { pictures, options: input }, outMp4, [...output, '-f', 'mp4'], more);
  return finished && (await hasContent(outMp4));
}

type StreamInput = { readonly options: string[] } & ({ readonly path: string } | { readonly pictures: Readable });

/** Runs ffmpeg with a stream at one end at least; killed when nothing moves for `limitSeconds`, or the stream is closed. */
function stream(
  tools: Tools,
  input: StreamInput,
  out: string | Writable,
  output: string[],
  more: readonly { path: string; options: string[] }[] = [],
): Promise<boolean> {
  return new Promise((done) => {
    let timer: NodeJS.Timeout | undefined;
    const wait = () => {
      clearTimeout(timer);
      // What still passes once ffmpeg has ended must not keep this program from ending.
      timer = setTimeout(() => command.kill('SIGKILL'), tools.limitSeconds * 1000).unref();
    };
    const watched = new Transform({
      transform: (chunk: Buffer, _, passed) => {
        wait();
        passed(null, chunk);
      },
    });
    if ('pictures' in input) input.pictures.on('error', () => watched.destroy()).pipe(watched);
    const command = ffmpegCommand({ stdoutLines: 20 });
    command.input('path' in input ? fileUrl(input.path) : watched).inputOptions(input.options);
    for (const { path, options } of more) command.input(fileUrl(path)).inputOptions(options);
    if (typeof out !== 'string') {
      watched.pipe(out);
      out.on('close', () => {
        if (!out.writableFinished) command.kill('SIGKILL');
      });
    }
    const finish = (worked: boolean) => {
      clearTimeout(timer);
      if (!worked && typeof out !== 'string') out.destroy();
      if (!worked && 'pictures' in input) input.pictures.destroy();
      done(worked);
    };
    const target = typeof out === 'string' ? fileUrl(out) : watched;
    command.output(target as string).outputOptions(['-y', '-nostdin', '-v', 'error', ...output]);
    command.setFfmpegPath(tools.ffmpeg);
    command.on('start', wait);
    command.on('end', () => finish(true)).on('error', () => finish(false));
    command.run();
  });
}

/** H.264 or H.265 without a container. */
function isBare({ format }: MediaFormat): boolean {
  return format === 'h264' || format === 'hevc';
}

function guarded(demuxer: string): string[] {
  return ['-protocol_whitelist', 'file', '-f', demuxer];
}

function fileUrl(path: string): string {
  return `file:${resolve(path)}`;
}

async function hasContent(path: string): Promise<boolean> {
  const found = await stat(path).catch(() => null);
  return found !== null && found.size > 0;
}

function convert(tools: Tools, path: string, input: string[], out: string, output: string[]): Promise<boolean> {
  return new Promise((done) => {
    let timer: NodeJS.Timeout | undefined;
    const finish = (worked: boolean) => {
      clearTimeout(timer);
      done(worked);
    };
    const command = ffmpegCommand({ stdoutLines: 20 }).input(fileUrl(path)).inputOptions(input);
    command.output(fileUrl(out)).outputOptions(['-y', '-nostdin', '-v', 'error', ...output]);
    // fluent-ffmpeg keeps one path for the whole process; it is read when the command starts.
    command.setFfmpegPath(tools.ffmpeg);
    command.on('start', () => {
      timer = setTimeout(() => command.kill('SIGKILL'), tools.limitSeconds * 1000);
    });
    command.on('end', () => finish(true)).on('error', () => finish(false));
    command.run();
  });
}

/** Standard output of a program, or `null` where it failed, was killed or wrote more than 1 MiB. */
function run(program: string, args: string[], limits: Partial<Tools>): Promise<string | null> {
  const options = {
    timeout: (limits.limitSeconds ?? 10) * 1000,
    killSignal: 'SIGKILL' as const,
    maxBuffer: 1 << 20,
    windowsHide: true,
    env: { ...process.env, ...limits.probeEnvironment },
  };
  return new Promise((done) => {
    execFile(program, args, options, (error, stdout) => done(error ? null : stdout));
  });
}

function readFacts(output: string): VideoFacts | null {
  type Stream = Partial<
    Record<'codec_name' | 'nb_frames' | 'nb_read_packets' | 'avg_frame_rate' | 'duration', string> &
      Record<'width' | 'height', number>
  >;
  const document = JSON.parse(output) as { streams?: Stream[]; format?: { duration?: string } };
  const stream = document.streams?.[0];
  if (!stream?.codec_name || !stream.width || !stream.height) return null;
  const frames = Number(stream.nb_frames ?? stream.nb_read_packets) || undefined;
  const [rate, per] = (stream.avg_frame_rate ?? '').split('/').map(Number);
  const byRate = frames && rate && per ? (frames * per) / rate : 0;
  const seconds = Number(stream.duration) || Number(document.format?.duration) || byRate;
  return { codec: stream.codec_name, width: stream.width, height: stream.height, seconds, frames };
}

/** Programs that were seen to run: asking each time takes as long as a small recording. */
const running = new Set<string>();

async function runs(path: string): Promise<boolean> {
  if (!running.has(path) && (await run(path, ['-version'], {})) !== null) running.add(path);
  return running.has(path);
}

async function findProgram(
  name: 'ffmpeg' | 'ffprobe',
  wanted: string | undefined,
): Promise<{ path: string; packaged: boolean } | null> {
  if (wanted !== undefined) {
    const path = resolve(wanted);
    if (await runs(path)) return { path, packaged: path === (await packagedProgram(name)) };
    throw new UsageError(
      `${wanted}: expected ${name} itself, but it does not run; name the program file, or leave the option out`,
    );
  }
  // Only absolute folders of PATH: an entry like `.` would start a program that lies beside the recordings.
  for (const folder of (process.env['PATH'] ?? '').split(delimiter).filter(isAbsolute)) {
    const path = join(folder, process.platform === 'win32' ? `${name}.exe` : name);
    if ((await isExecutable(path)) && (await runs(path))) return { path, packaged: false };
  }
  const packaged = await packagedProgram(name);
  const path = packaged && (await madeExecutable(packaged, name));
  return path && (await runs(path)) ? { path, packaged: true } : null;
}

/** Where the optional installer package has its program; `null` where it is not installed or has none for this machine. */
async function packagedProgram(name: 'ffmpeg' | 'ffprobe'): Promise<string | null> {
  try {
    const installer = name === 'ffmpeg' ? import('@ffmpeg-installer/ffmpeg') : import('@ffprobe-installer/ffprobe');
    return ((await installer) as { default: { path: string } }).default.path;
  } catch {
    return null;
  }
}

/** Package managers that run no install scripts leave ffprobe without its execute permission. */
async function madeExecutable(path: string, name: string): Promise<string | null> {
  if (await isExecutable(path)) return path;
  try {
    await chmod(path, 0o755);
    return path;
  } catch {
    // Somebody else's folder, or a read-only one: a private copy for as long as this process runs.
    const folder = await mkdtemp(join(tmpdir(), 'passweave-'));
    process.once('exit', () => rmSync(folder, { recursive: true, force: true }));
    const copy = join(folder, name);
    await copyFile(path, copy);
    await chmod(copy, 0o755);
    return copy;
  }
}

async function isExecutable(path: string): Promise<boolean> {
  return access(path, constants.X_OK).then(
    () => true,
    () => false,
  );
}
