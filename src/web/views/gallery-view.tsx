// The gallery: pictures as far as they are known, what is missing marked on the picture itself; clips playable in the page, with a
// strip of what is there below.
import type { JSX } from 'preact';
import { useMemo } from 'preact/hooks';
import { filesByNeed } from '../../report/file-state.js';
import type { ClipStretch, PageFile } from '../../report/page-document.js';
import { counted, perCent } from '../../report/quantity.js';
import { StateMark } from './state-mark.js';
import { StripPicture } from './strip-picture.js';
import { useGrowing } from './use-growing.js';
import type { ViewProps } from './view.js';

export function GalleryView({ document, printing }: ViewProps): JSX.Element {
  const shown = useMemo(() => filesByNeed(document.files).filter(({ kind }) => kind !== null), [document]);
  const number = useGrowing(shown.length, printing);
  if (shown.length === 0) return <p>No picture or clip can be shown yet.</p>;
  return (
    <>
      <p>
        What is missing of a picture is hatched in it; nothing in its place is invented. The strip below shows the file
        from its first {shown[0]!.unit} to its last.
      </p>
      <div class="gallery">
        {shown.slice(0, number).map((file) => (
          <Exhibit key={file.id} file={file} printing={printing} />
        ))}
      </div>
    </>
  );
}

function Exhibit({ file, printing }: { readonly file: PageFile; readonly printing: boolean }): JSX.Element {
  const { name, state, received, total, salvage, kind } = file;
  const target = salvage?.link ?? file.link;
  return (
    <article>
      <div class="exhibit">
        {kind === 'clip' && target && !printing ? (
          <Clip file={file} source={target} />
        ) : (
          <Picture file={file} target={target} />
        )}
      </div>
      <h3>
        <bdi>{name}</bdi>
      </h3>
      <p class="facts">
        <StateMark state={state} /> <span>{perCent(received, total)} received</span>{' '}
        <a class="on-screen" href={`#file-${file.id}`}>
          Segments<span class="unseen"> of {name}</span>
        </a>
      </p>
      {file.frames ? <FrameStrip frames={file.frames} /> : <StripPicture file={file} printing={printing} />}
      {salvage && <p class="dim">{salvage.note}</p>}
    </article>
  );
}

function Picture({ file, target }: { readonly file: PageFile; readonly target: string | null }): JSX.Element {
  const { thumbnail, name, received, total } = file;
  if (!thumbnail) return <span class="dim">{target ? <a href={target}>Open {name}</a> : 'No picture'}</span>;
  const what = received < total ? `what was received of ${name}` : name;
  const picture = (
    <img
      src={thumbnail.source}
      width={thumbnail.width}
      height={thumbnail.height}
      loading="lazy"
      decoding="async"
      alt={`Small view of ${what}`}
    />
  );
  return target ? <a href={target}>{picture}</a> : picture;
}

function Clip({ file, source }: { readonly file: PageFile; readonly source: string }): JSX.Element {
  const { thumbnail, name } = file;
  return (
    // biome-ignore lint/a11y/useMediaCaption: a spacecraft's clip comes without words
    <video
      controls
      preload="none"
      src={source}
      poster={thumbnail?.source}
      width={thumbnail?.width ?? 240}
      height={thumbnail?.height ?? 180}
      aria-label={`Clip ${name}`}
    />
  );
}

const frameWords = {
  exact: 'exact',
  damaged: 'damaged',
  tainted: 'built on damaged ones',
  missing: 'missing',
} as const;
const frameHeights = { exact: 24, tainted: 14, damaged: 8, missing: 24 } as const;

/** The frames of a clip in playing order: the taller the better, hatched = missing. */
function FrameStrip({ frames }: { readonly frames: readonly ClipStretch[] }): JSX.Element {
  const total = frames.reduce((sum, [number]) => sum + number, 0);
  const kinds = Object.keys(frameWords) as (keyof typeof frameWords)[];
  const sums = kinds
    .map((kind) => [kind, frames.reduce((sum, [number, own]) => sum + (own === kind ? number : 0), 0)] as const)
    .filter(([, number]) => number > 0);
  const words = `${counted(total, 'frame')}: ${sums.map(([kind, number]) => `${number} ${frameWords[kind]}`).join(', ')}`;
  let at = 0;
  return (
    <>
      <div class="strip-box" role="img" aria-label={words}>
        <svg class="strip" viewBox="0 0 800 28" preserveAspectRatio="none" aria-hidden="true">
          {frames.map(([number, kind]) => {
            const x = (at / total) * 800;
            at += number;
            const height = frameHeights[kind];
            return (
              <rect
                key={at}
                class={`frame-${kind}`}
                x={x}
                y={24 - height}
                width={(number / total) * 800}
                height={height}
                fill={kind === 'missing' ? 'url(#hatch)' : undefined}
              />
            );
          })}
        </svg>
      </div>
      <p class="dim">{words}.</p>
    </>
  );
}
