// A report of the Dotterel scenario for tests: reception is simulated with a seeded generator and counted by plain
// loops, so that all numbers in it agree; thumbnails are drawn with sharp.
import { createHash } from 'node:crypto';
import sharp from 'sharp';
import type { CampaignDetails } from '../../src/coverage/campaign-details.js';
import type {
  Coverage,
  FileCoverage,
  FirstLast,
  MissingRange,
  StationCoverage,
  Strip,
} from '../../src/coverage/coverage.js';
import type { Stretch } from '../../src/coverage/timeline.js';
import type { Report, Thumbnail } from '../../src/report/model.js';

const payload = 984;
const rotationFrames = 22_200; // 94 s at 1.9 Mbit/s and 1004 byte frames
/** 2027-03-14 02:15:40 UTC. */
const startedAt = Date.UTC(2027, 2, 14, 2, 15, 40);
const fileList: { file: number; name: string; bytes: number; from?: number }[] = [
  { file: 7, name: 'limb-0007.jpg', bytes: 1_048_576 },
  { file: 8, name: 'limb-0008.jpg', bytes: 812_331 },
  { file: 9, name: 'limb-0009.jpg', bytes: 934_020 },
  { file: 10, name: 'limb-0010.jpg', bytes: 398_112, from: 14_000 },
  { file: 11, name: 'limb-0011.jpg', bytes: 655_871, from: 26_000 },
  { file: 12, name: 'limb-0012.jpg', bytes: 720_004, from: 33_000 },
  { file: 20, name: 'sail-unfurl.mp4', bytes: 2_900_512, from: 20_000 },
  { file: 31, name: 'attitude-0031.csv', bytes: 31_904 },
];
const stationList = [
  { name: 'saltmarsh', passes: [[0, 21_000]], phase: 0.1 },
  {
    name: 'highfell',
    passes: [
      [2_500, 24_000],
      [41_000, 58_000],
    ],
    phase: 0.16,
  },
  { name: 'pinebarren', passes: [[12_000, 31_000]], phase: 0.22 },
  {
    name: 'lowquay',
    passes: [
      [33_000, 47_000],
      [48_000, 60_000],
    ],
    phase: 0.3,
  },
] as const;

/** Same numbers in (0, 1) for the same seed. */
export function seeded(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return (state + 0.5) / 2 ** 32;
  };
}

export async function sampleReport(): Promise<Report> {
  const { coverage, strips, missing, details } = simulate();
  const thumbnails = new Map<string, Thumbnail>();
  for (const file of coverage.files) {
    if (file.media !== null || file.salvage !== null) thumbnails.set(file.id, await drawThumbnail(file));
  }
  return { coverage, missing, strips, thumbnails, details, madeBy: 'passweave 0.1.0' };
}

function simulate(): { coverage: Coverage; strips: Strip[]; missing: MissingRange[]; details: CampaignDetails } {
  const random = seeded(94);
  const sent: { file: number; segment: number }[] = [];
  while (sent.length < 60_000) {
    for (const [index, { bytes, from = 0 }] of fileList.entries()) {
      if (sent.length < from) continue;
      for (let segment = 0; segment < Math.ceil(bytes / payload); segment += 1) sent.push({ file: index, segment });
    }
  }
  const heardBy = sent.map(() => new Set<string>());
  const recordings: Coverage['recordings'] = [];
  const lost = new Map<string, number>();
  for (const { name, passes, phase } of stationList) {
    for (const [number, [start, end]] of passes.entries()) {
      let [intact, damaged, first, last] = [0, 0, -1, -1];
      for (let counter = start; counter < end; counter += 1) {
        const beam = Math.max(0, Math.cos(2 * Math.PI * (counter / rotationFrames + phase))) ** 2;
        const luck = random();
        if (luck < beam * 1.15 - 0.12) {
          heardBy[counter]!.add(name);
          intact += 1;
          if (first < 0) first = counter;
          last = counter;
        } else if (luck < beam * 1.15 - 0.06) damaged += 1;
      }
      lost.set(name, (lost.get(name) ?? 0) + last - first + 1 - intact);
      recordings.push({
        station: name,
        name: `${name}-pass-${number + 1}.bin`,
        xxh64: createHash('sha256').update(`${name} ${number}`).digest('hex').slice(0, 16),
        bytes: (intact + damaged) * 1042,
        frames: { intact, damaged },
        problems:
          name === 'lowquay' && number === 1 ? ['byte 3,009,296: the gzip stream is damaged; read up to here'] : [],
      });
    }
  }

  const times = fileList.map(({ bytes }) => new Array<number>(Math.ceil(bytes / payload)).fill(0));
  const lastSent = fileList.map(() => new Map<number, number>());
  const holders = fileList.map(({ bytes }) =>
    Array.from({ length: Math.ceil(bytes / payload) }, () => new Set<string>()),
  );
  const repeated = new Map<string, number>();
  for (const [counter, { file, segment }] of sent.entries()) {
    lastSent[file]!.set(segment, counter);
    if (heardBy[counter]!.size > 0) times[file]![segment]! += 1;
    for (const name of heardBy[counter]!) {
      if (holders[file]![segment]!.has(name)) repeated.set(name, (repeated.get(name) ?? 0) + 1);
      holders[file]![segment]!.add(name);
    }
  }

  const strips: Strip[] = [];
  const missing: MissingRange[] = [];
  const files = fileList.map(({ file, name, bytes }, index): FileCoverage => {
    const runs = runsOf(times[index]!);
    const gaps = runs.filter(([, , count]) => count === 0).map(([first, last]): FirstLast => [first, last]);
    const id = `${file}`;
    strips.push({ id, total: times[index]!.length, runs });
    for (const [first, last] of gaps) {
      const counter = lastSent[index]!.get(first);
      missing.push({ id, name, first, last, lastSent: counter === undefined ? null : { run: 1, counter } });
    }
    const partial = gaps.length > 0;
    const proven = name.endsWith('.csv') === false;
    const disputed = !partial && file === 10;
    const crc = createHash('md5').update(name).digest('hex').slice(0, 16).slice(0, 8);
    const picture = name.endsWith('.jpg');
    return {
      id,
      file,
      edition: 1,
      name,
      bytes,
      state: partial ? 'partial' : disputed ? 'disputed' : proven ? 'whole' : 'unproven',
      path: partial || disputed ? `partial/${name}` : `files/${name}`,
      checksum: proven
        ? {
            algorithm: 'crc32',
            expected: crc,
            actual: partial ? null : disputed ? '5b0e11d2' : crc,
            matches: partial ? null : !disputed,
          }
        : null,
      segments: {
        total: times[index]!.length,
        received: times[index]!.filter((count) => count > 0).length,
        unit: 'segment',
        missing: gaps,
      },
      conflicts: disputed ? [{ segment: 118, variants: 2, decided: 'undecided' }] : [],
      stations: Object.fromEntries(
        stationList.map((station) => [station.name, holders[index]!.filter((names) => names.has(station.name)).length]),
      ),
      media:
        partial || disputed
          ? null
          : picture
            ? { kind: 'picture', format: 'JPEG', width: 2048, height: 1536 }
            : proven
              ? { kind: 'video', format: 'MP4', codec: 'H.264', width: 640, height: 480, seconds: 12, frames: 300 }
              : null,
      salvage:
        partial && proven
          ? {
              path: `salvage/${name}.${picture ? 'png' : 'mp4'}`,
              note: picture ? 'Rows that could be decoded; the rest is hatched.' : 'What can be read of the clip.',
            }
          : null,
    };
  });

  const stations = stationList.map(({ name, passes }): StationCoverage => {
    const own = recordings.filter((recording) => recording.station === name);
    const sum = (pick: (recording: (typeof own)[number]) => number) =>
      own.reduce((total, recording) => total + pick(recording), 0);
    const held = holders.flat().filter((names) => names.has(name));
    return {
      name,
      recordings: passes.length,
      bytes: sum((recording) => recording.bytes),
      frames: {
        read: sum(({ frames }) => frames.intact + frames.damaged),
        intact: sum(({ frames }) => frames.intact),
        damaged: sum(({ frames }) => frames.damaged),
        duplicate: heardBy.filter((names) => names.has(name) && names.size > 1).length,
        overlapping: 0,
        lost: lost.get(name) ?? 0,
      },
      segments: {
        received: held.length,
        onlyHere: held.filter((names) => names.size === 1).length,
        repeated: repeated.get(name) ?? 0,
      },
    };
  });

  const inState = (state: FileCoverage['state']) => files.filter((file) => file.state === state);
  const segments = {
    total: files.reduce((sum, file) => sum + file.segments.total, 0),
    received: files.reduce((sum, file) => sum + file.segments.received, 0),
  };
  const heard = heardBy.filter((names) => names.size > 0).length;
  const names = stationList.map(({ name }) => name);
  const all = holders.flatMap((held, index) => held.map((stations) => ({ index, stations })));
  return {
    strips,
    missing,
    details: {
      timeline: {
        runs: [{ run: 1, at: 0, first: 0, last: sent.length - 1, sentAt: startedAt, clocks: 4, clockSpreadSeconds: 3 }],
        stations: [null, ...names].map((name) => ({
          name,
          heard: runsOf(heardBy.map((stations) => Number(name === null ? stations.size > 0 : stations.has(name))))
            .filter(([, , there]) => there > 0)
            .map(([first, last]): Stretch => [first, last - first + 1, last - first + 1]),
          listened: (name === null
            ? [
                [0, 31_000],
                [33_000, 60_000],
              ]
            : stationList.filter((station) => station.name === name).flatMap(({ passes }) => [...passes])
          ).map(([start, end]): [number, number] => [start!, end!]),
        })),
        length: sent.length,
        joined: 0,
        frameSeconds: 94 / rotationFrames,
        rotationSeconds: 94,
      },
      sharing: {
        pairs: names.flatMap((a, i) =>
          names.slice(i + 1).map((b) => ({
            stations: [a, b] as const,
            transmissions: heardBy.filter((stations) => stations.has(a) && stations.has(b)).length,
            segments: all.filter(({ stations }) => stations.has(a) && stations.has(b)).length,
          })),
        ),
        without: names.map((name) => {
          const alone = all.filter(({ stations }) => stations.size === 1 && stations.has(name));
          const touched = new Set(alone.map(({ index }) => index));
          const complete = files.filter((file, index) => file.state !== 'partial' && touched.has(index));
          return { station: name, segments: alone.length, files: complete.map(({ id }) => id) };
        }),
      },
      settings: [
        ['Mission', 'Dotterel'],
        ['Layers', 'dvb-s2 → stream'],
        ['Frame', '1004 bytes, 984 of them payload'],
        ['Rate', '1900000 bit/s'],
        ['Rotation', '94 s'],
      ],
      startedAt: new Map(recordings.slice(1).map(({ xxh64 }, i) => [xxh64, startedAt + i * 1000])),
    },
    coverage: {
      format: 'passweave-coverage/1',
      mission: 'Dotterel',
      stations,
      recordings,
      files,
      totals: {
        files: {
          whole: inState('whole').length,
          unproven: inState('unproven').length,
          partial: inState('partial').length,
          disputed: inState('disputed').length,
        },
        segments: { ...segments, missing: segments.total - segments.received },
        bytes: { whole: inState('whole').reduce((sum, file) => sum + (file.bytes ?? 0), 0) },
        frames: {
          read: stations.reduce((sum, { frames }) => sum + frames.read, 0),
          intact: stations.reduce((sum, { frames }) => sum + frames.intact, 0),
          damaged: stations.reduce((sum, { frames }) => sum + frames.damaged, 0),
        },
        transmissions: {
          received: heard,
          acrossStations: heardBy.reduce((sum, names) => sum + Math.max(0, names.size - 1), 0),
          acrossRepeats: heard - segments.received,
        },
      },
      notes: [
        'File 10: two copies of segment 118 have a valid CRC and differ; the checksum fits neither.',
        'lowquay-pass-2.bin ended early: what came after byte 3,009,296 could not be read.',
      ],
    },
  };
}

function runsOf(times: readonly number[]): Strip['runs'] {
  const runs: Strip['runs'] = [];
  for (const [index, count] of times.entries()) {
    const run = runs.at(-1);
    if (run !== undefined && run[2] === count) run[1] = index;
    else runs.push([index, index, count]);
  }
  return runs;
}

/** A limb with night-shining clouds; the rows of missing segments are hatched. */
async function drawThumbnail(file: FileCoverage): Promise<Thumbnail> {
  const [width, height] = [128, 96];
  const bands = file.segments.missing.map(([first, last]) => {
    const y = (first / file.segments.total) * height;
    return `<rect x="0" y="${y}" width="${width}" height="${((last - first + 1) / file.segments.total) * height}" fill="url(#h)"/>`;
  });
  const svg = `<svg xmlns="http://www.w3.org/2000/svg" width="${width}" height="${height}"><defs>
    <linearGradient id="sky" x1="0" y1="0" x2="0" y2="1"><stop offset="0" stop-color="#020611"/><stop offset=".55" stop-color="#274a86"/><stop offset=".75" stop-color="#e9b37a"/></linearGradient>
    <filter id="cloud"><feTurbulence type="fractalNoise" baseFrequency=".02 .16" numOctaves="4" seed="${file.file}"/><feColorMatrix values="0 0 0 0 .8 0 0 0 0 .92 0 0 0 0 1 1.6 0 0 0 -.55"/></filter>
    <pattern id="h" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="#fff"/><rect width="2" height="6" fill="#666"/></pattern></defs>
    <rect width="100%" height="100%" fill="url(#sky)"/><rect y="25" width="100%" height="40" filter="url(#cloud)" opacity=".8"/>
    <ellipse cx="${40 + file.file}" cy="190" rx="190" ry="112" fill="#05070c"/>${bands.join('')}</svg>`;
  const jpeg = await sharp(Buffer.from(svg)).jpeg({ quality: 70 }).toBuffer();
  return { dataUri: `data:image/jpeg;base64,${jpeg.toString('base64')}`, width, height };
}

/** `files` files of `segments` segments each; every third is whole, the others have scattered short losses. */
export function largeReport(fileCount: number, segmentCount: number, lossPerSegment: number): Report {
  const random = seeded(5);
  const { coverage, details } = simulate();
  const template = coverage.files[0]!;
  const strips: Strip[] = [];
  const missing: MissingRange[] = [];
  const files = Array.from({ length: fileCount }, (_, index): FileCoverage => {
    const whole = index % 3 === 0;
    const times = Array.from({ length: segmentCount }, () =>
      !whole && random() < lossPerSegment ? 0 : random() < 0.2 ? 1 : 2 + Math.floor(random() * 3),
    );
    const runs = runsOf(times);
    const gaps = runs.filter(([, , count]) => count === 0).map(([first, last]): FirstLast => [first, last]);
    const id = `${index + 1}`;
    const name = `limb-${id.padStart(4, '0')}.jpg`;
    strips.push({ id, total: segmentCount, runs });
    for (const [first, last] of gaps)
      missing.push({ id, name, first, last, lastSent: { run: 1, counter: index * segmentCount + first } });
    return {
      ...template,
      id,
      file: index + 1,
      name,
      bytes: segmentCount * payload,
      state: gaps.length > 0 ? 'partial' : 'whole',
      path: `${gaps.length > 0 ? 'partial' : 'files'}/${name}`,
      checksum: {
        algorithm: 'crc32',
        expected: '1a2b3c4d',
        actual: gaps.length > 0 ? null : '1a2b3c4d',
        matches: gaps.length > 0 ? null : true,
      },
      segments: {
        total: segmentCount,
        received: times.filter((count) => count > 0).length,
        unit: 'segment',
        missing: gaps,
      },
      conflicts: [],
      media: gaps.length > 0 ? null : template.media,
    };
  });
  const whole = files.filter((file) => file.state === 'whole');
  const received = files.reduce((sum, file) => sum + file.segments.received, 0);
  const total = fileCount * segmentCount;
  return {
    coverage: {
      ...coverage,
      files,
      totals: {
        ...coverage.totals,
        files: { whole: whole.length, unproven: 0, partial: fileCount - whole.length, disputed: 0 },
        segments: { total, received, missing: total - received },
        bytes: { whole: whole.reduce((sum, file) => sum + (file.bytes ?? 0), 0) },
      },
    },
    missing,
    strips,
    thumbnails: new Map(),
    details,
    madeBy: 'passweave 0.1.0',
  };
}
