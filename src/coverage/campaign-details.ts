// What a report shows beyond coverage.json: when each station received, what stations share, and by which settings it was read.
import fs from 'node:fs';
import path from 'node:path';
import type { Ledger } from '../ledger/ledger.js';
import { frameSeconds } from '../mission/segmentation.js';
import type { Placements } from '../segments/transmission.js';
import { buildTimeline } from './build-timeline.js';
import type { FileCoverage } from './coverage.js';
import { type Sharing, stationSharing } from './sharing.js';
import type { StationReception } from './stations.js';
import type { Timeline } from './timeline.js';

export type CampaignDetails = {
  readonly timeline: Timeline;
  readonly sharing: Sharing;
  /** Names and values, units included: how the mission file says the downlink is to be read. */
  readonly settings: readonly (readonly [name: string, value: string])[];
  /** Milliseconds since 1970 UTC by the station's clock, by the recording's XXH64; only what is known. */
  readonly startedAt: ReadonlyMap<string, number>;
};

export function campaignDetails(
  ledger: Ledger,
  placements: Placements,
  stations: readonly StationReception[],
  files: readonly FileCoverage[],
): CampaignDetails {
  const receptions = [...ledger.receptions.values()];
  return {
    timeline: buildTimeline({
      receptions,
      placements,
      stations,
      frameSeconds: frameSeconds(ledger.mission),
      rotationSeconds: ledger.mission.downlink.rotationSeconds,
    }),
    sharing: stationSharing(stations, files, ledger.segmentation.counterBits > 0),
    settings: missionSettings(ledger),
    startedAt: new Map(
      receptions.flatMap(({ xxh64, startedAt }) => (startedAt === null ? [] : [[xxh64, startedAt] as const])),
    ),
  };
}

function missionSettings({ folder, mission, segmentation }: Ledger): [string, string][] {
  const { downlink, frame, layers, files } = mission;
  const chain = layers.map(({ name, options }) => {
    const given = Object.entries(options).map(([option, value]) => `${option} ${JSON.stringify(value)}`);
    return given.length > 0 ? `${name} (${given.join(', ')})` : name;
  });
  const hashes = fs.readdirSync(path.join(folder, 'missions')).filter((name) => name.endsWith('.yaml'));
  return [
    ['Mission', mission.name],
    [
      'Mission files, XXH64',
      hashes
        .map((name) => path.basename(name, '.yaml'))
        .sort()
        .join(', '),
    ],
    ['Layers', chain.join(' → ')],
    ...(frame
      ? ([
          ['Frame', `${frame.length} bytes, ${frame.payload.size} of them payload`],
          ['Marker', Buffer.from(frame.marker).toString('hex').toUpperCase() || 'none'],
          ['CRC', frame.crc.parameters.name],
        ] as [string, string][])
      : []),
    ['Segments are named by', segmentation.byOffset ? 'byte offset' : 'number'],
    ['Rate', downlink.bitsPerSecond === undefined ? 'not stated' : `${downlink.bitsPerSecond} bit/s`],
    ['Rotation', downlink.rotationSeconds === undefined ? 'not stated' : `${downlink.rotationSeconds} s`],
    ['Descriptor', files.descriptor ? `file ${files.descriptor.file}, ${files.descriptor.format}` : 'none'],
    ['Files in the catalogue', String(files.catalogue.length)],
  ];
}
