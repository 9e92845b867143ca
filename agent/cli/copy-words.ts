import { faultText, type Fault } from '../terms/terms.js'
import type { Copied } from './copy.js'
import { folded, textWidth } from './plain-text.js'

const counted = (n: number, one: string): string => `${n} ${one}${n === 1 ? '' : 's'}`

export function copiedText({ stores, flushed, sameDisk }: Copied, to: string): string[] {
  const lines = stores.reduce((sum, store) => sum + store.lines, 0)
  const files = stores.reduce((sum, store) => sum + store.files, 0)
  const ending = sameDisk
    ? `${to} lies on the same disk as the store: no second copy if that disk fails, and no stick. Is the stick mounted?`
    : `${to} may be pulled out once it is unmounted (umount ${to}).`
  const words = [
    ...stores.map(
      (store) =>
        `${store.station}, store ${store.storeId}: ${counted(store.newLines, 'new line')} in ${counted(store.newFiles, 'file')}; ${counted(store.lines, 'line')} there in all, in ${store.folder}`,
    ),
    ...stores.flatMap(({ keptAside }) =>
      keptAside.map(
        (name) => `what lay on the stick under this name was something else and was kept: ${name}`,
      ),
    ),
    ...(flushed === 'no'
      ? [
          'The agent did not answer: what it still had in memory (minutes) is not in the copy. Copy again later.',
        ]
      : []),
    `Done: ${counted(lines, 'line')}, ${counted(files, 'file')}; synced, read back and compared. ${ending}`,
    'The reading back may have been answered from memory: for certainty put it into another machine and run motepost verify there.',
  ]
  return words.map((one) => folded(one, textWidth, 2))
}

/** What happened, and that nothing is lost by it. */
export function failedText(fault: Fault, to: string): string {
  const what =
    fault.code === 'disk-full' && fault.detail.startsWith(to)
      ? `the stick is full: ${fault.detail}. Free space on it or take a larger one, and copy again.`
      : fault.code === 'disk-read-only' && fault.detail.startsWith(to)
        ? `the stick cannot be written (read-only): ${fault.detail}. Look for its lock switch, or mount it for writing.`
        : fault.code === 'disk-missing' && fault.detail.startsWith(to)
          ? `${fault.detail}. Plug it in and mount it, and copy again.`
          : fault.code === 'store-in-use'
            ? `another copy to ${to} is under way. Wait for it.`
            : faultText(fault)
  return `Not done: ${what} The station's own records are untouched; files that were whole on the stick stay, and the next copy goes on there.`
}

export const copiedJson = ({ stores, flushed, sameDisk }: Copied): string =>
  JSON.stringify({
    v: 1,
    ok: true,
    flushed,
    same_disk: sameDisk,
    stores: stores.map(({ storeId, station, folder, files, lines, newFiles, newLines, keptAside }) => ({
      store: storeId,
      station,
      folder,
      files,
      lines,
      new_files: newFiles,
      new_lines: newLines,
      kept_aside: keptAside,
    })),
  })
