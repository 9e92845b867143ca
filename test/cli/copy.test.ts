/** Copying to a stick and taking the stick into an archive: on real folders through the commands, and on disks that fail. */
import { spawn, type ChildProcess } from 'node:child_process'
import {
  appendFileSync,
  mkdirSync,
  readFileSync,
  readdirSync,
  rmSync,
  statSync,
  writeFileSync,
} from 'node:fs'
import { basename, join } from 'node:path'
import { connect } from 'mqtt'
import { afterAll, describe, expect, it, vi } from 'vitest'
import { copy } from '../../agent/cli/copy.js'
import { copyFiles, type CopyTask } from '../../agent/cli/copy-files.js'
import { take } from '../../agent/cli/collect-control.js'
import { verify } from '../../agent/cli/verify.js'
import { DeskDisk, openFolder } from '../../agent/hardware/disk.js'
import { stationKey } from '../../agent/hardware/station-key.js'
import { MemoryDisk } from '../../agent/simulation/memory-disk.js'
import { openStore, readStoreFolder } from '../../agent/store/store.js'
import { makePack } from '../../agent/uplink/uplink.js'
import { program } from '../support/field-rig.js'
import { startMosquitto } from '../support/mosquitto.js'
import { describeWith } from '../support/real-parts.js'
import { waitFor } from '../support/wait.js'
import {
  anchor,
  at,
  boot,
  linesFilesOf,
  minute,
  minutes,
  newFolder,
  oneSet,
  ran,
  removeFolders,
  spoil,
  storeId,
  value,
} from './desk-rig.js'

vi.setConfig({ testTimeout: 90_000 })
afterAll(removeFolders)

/** A station's folder with its key: an anchor, minutes, a signed seal. */
async function stationFolder(count: number, linesPerFile = 100): Promise<string> {
  const folder = newFolder()
  await goOn(folder, 0, count, linesPerFile)
  return folder
}

async function goOn(folder: string, hours: number, count: number, linesPerFile = 100): Promise<void> {
  const disk = value(await openFolder(folder, { create: true }))
  const store = value(await openStore({ disk, newStoreId: () => storeId, station: 'hill', linesPerFile }))
  store.append(anchor(at(hours)))
  for (const [i, make] of minutes(at(hours), count, 5).entries()) {
    store.append(make, oneSet)
    if (i % 500 === 499) value(await store.flush())
  }
  value(await store.seal(value(await stationKey(folder))))
  await disk.close()
}

const copied = async (store: string, to: string) => {
  const { code, out } = await ran(() => copy(to, { store, json: true }))
  return { code, ...(JSON.parse(out) as { stores: Record<string, unknown>[]; same_disk: boolean }) }
}
const onStick = (stick: string): string => join(stick, 'motepost', 'hill', storeId)

describe('copy to a stick', () => {
  it('brings every line, never the private key, verifies, and says how much and that it may be pulled out', async () => {
    const [store, stick] = [await stationFolder(250), newFolder()]
    const { code, out } = await ran(() => copy(stick, { store }))
    expect(code).toBe(0)
    expect(out).toMatch(/Done: 25\d lines, 4 files; synced, read back and compared/)
    const names = linesFilesOf(store).map((file) => basename(file))
    expect(readdirSync(onStick(stick)).sort()).toEqual([...names, 'store.json'].sort())
    for (const file of linesFilesOf(store))
      expect(readFileSync(join(onStick(stick), basename(file)))).toEqual(readFileSync(file))
    expect((await ran(() => verify({ store: stick }))).code).toBe(0)
  })

  it('uses names that every file system of a stick takes', async () => {
    const [store, stick] = [await stationFolder(10), newFolder()]
    await copied(store, stick)
    for (const name of readdirSync(stick, { recursive: true }) as string[])
      for (const part of name.split('/')) expect(part).toMatch(/^[a-zA-Z0-9][a-zA-Z0-9._-]{0,100}$/)
  })

  it('writes only what is new on a second copy to the same stick', async () => {
    const [store, stick] = [await stationFolder(250), newFolder()]
    await copied(store, stick)
    const first = linesFilesOf(onStick(stick)).map((file) => [file, statSync(file).ino] as const)
    expect(await copied(store, stick)).toMatchObject({ stores: [{ new_files: 0, new_lines: 0 }] })
    await goOn(store, 5, 30)
    const again = await copied(store, stick)
    expect(again.stores[0].new_lines).toBeGreaterThanOrEqual(31)
    for (const [file, ino] of first.slice(0, -1)) expect(statSync(file).ino).toBe(ino)
    expect((await ran(() => verify({ store: stick }))).code).toBe(0)
  })

  it('takes only whole rows of the file that is being written to', async () => {
    const [store, stick] = [await stationFolder(20), newFolder()]
    const newest = linesFilesOf(store).at(-1)!
    appendFileSync(newest, 'record,99,c123')
    await copied(store, stick)
    expect(readFileSync(linesFilesOf(onStick(stick)).at(-1)!, 'utf8').endsWith('\n')).toBe(true)
  })

  it('keeps what lay on the stick under the same name with other content', async () => {
    const [store, stick] = [await stationFolder(20), newFolder()]
    await copied(store, stick)
    const [file] = linesFilesOf(onStick(stick))
    spoil(file, (text) => text.replace('5.00', '6.00'))
    const spoilt = readFileSync(file, 'utf8')
    const { stores } = await copied(store, stick)
    expect(stores[0].kept_aside).toHaveLength(1)
    expect(readFileSync(`${file}.kept-1`, 'utf8')).toBe(spoilt)
    expect(readFileSync(file)).toEqual(readFileSync(linesFilesOf(store)[0]))
  })

  it('is wrong use where the stick is not there, so that nothing goes to the card by mistake', async () => {
    const store = await stationFolder(5)
    const to = join(newFolder(), 'stick')
    const { code, err } = await ran(() => copy(to, { store }))
    expect([code, err]).toEqual([2, expect.stringContaining('is the stick mounted?')])
    writeFileSync(to, '')
    expect((await ran(() => copy(to, { store }))).code).toBe(2)
  })

  it('takes along the records that were left behind with an earlier board', async () => {
    const [store, stick] = [await stationFolder(5), newFolder()]
    const earlier = join(store, 'earlier', 'aaaa-bbbb')
    mkdirSync(earlier, { recursive: true })
    const disk = value(await openFolder(earlier, { create: true }))
    const old = value(await openStore({ disk, newStoreId: () => 'aaaa-bbbb', station: 'hill' }))
    old.append(minute(at(0), 5), oneSet)
    value(await old.flush())
    const { stores } = await copied(store, stick)
    expect(stores.map((one) => one.store)).toEqual([storeId, 'aaaa-bbbb'])
  })
})

describe('a stick that fails', () => {
  async function taskTo(to: MemoryDisk, there = () => true): Promise<CopyTask> {
    const from = new DeskDisk(await stationFolder(250))
    value(await to.makeFolder('f'))
    const names = ['store.json', ...linesFilesOf(from.name).map((file) => basename(file))]
    return { from, to, folder: 'f', names, newest: names.at(-1), isThere: there, progress: () => undefined }
  }

  it('is told as full, read-only or broken, leaves no half file, and goes on where it was', async () => {
    const stick = new MemoryDisk('stick')
    const task = await taskTo(stick)
    stick.capacityBytes = 20_000
    expect(await copyFiles(task)).toMatchObject({ ok: false, fault: { code: 'disk-full' } })
    const whole = stick.paths.length
    expect(stick.paths.some((path) => path.endsWith('.tmp'))).toBe(false)
    expect(whole).toBeGreaterThan(1)
    stick.readOnly = true
    expect(await copyFiles(task)).toMatchObject({ ok: false, fault: { code: 'disk-read-only' } })
    stick.readOnly = false
    stick.capacityBytes = Infinity
    const fails = (operation: string) => (operation === 'datasync' ? ('disk-error' as const) : undefined)
    stick.beforeOperation = fails
    expect(await copyFiles(task)).toMatchObject({ ok: false, fault: { code: 'disk-error' } })
    stick.beforeOperation = () => undefined
    expect(await copyFiles(task)).toMatchObject({ ok: true, value: { files: 4, newFiles: 4 - whole } })
  })

  it('is told when it was pulled out in mid-copy, and no file is written to what lies below', async () => {
    const stick = new MemoryDisk('stick')
    let asked = 0
    const task = await taskTo(stick, () => ++asked < 3)
    const failed = await copyFiles(task)
    expect(failed).toMatchObject({ ok: false, fault: { code: 'disk-missing' } })
    expect(failed.ok ? '' : failed.fault.detail).toContain('was pulled out')
    expect(stick.paths).toHaveLength(2)
  })

  it('holds after a power cut at any moment nothing but whole files, and the next copy completes them', async () => {
    const made = new MemoryDisk('stick')
    value(await copyFiles(await taskTo(made)))
    for (let after = 0; after < made.operations; after += 3) {
      const stick = new MemoryDisk('stick')
      const task = await taskTo(stick)
      stick.powerFailsAfter = stick.operations + after
      await copyFiles(task)
      const found = stick.cut({ unsynced: 'lost' })
      for (const path of found.paths.filter((one) => !one.endsWith('.tmp')))
        expect(found.text(path)).toBe(readFileSync(join((task.from as DeskDisk).name, path.slice(2)), 'utf8'))
      value(await copyFiles({ ...task, to: found }))
      expect(found.paths.filter((path) => path.includes('kept'))).toEqual([])
    }
  })

  it('is told where it gives back something else than was written', async () => {
    const stick = new MemoryDisk('stick')
    const task = await taskTo(stick)
    stick.beforeOperation = (operation, path) => {
      if (operation === 'syncFolder' && path === 'f' && stick.paths.includes('f/store.json'))
        stick.put('f/store.json', 'rubbish')
      return undefined
    }
    expect(await copyFiles(task)).toMatchObject({ ok: false, fault: { code: 'disk-error' } })
  })
})

const takeInto = async (archive: string, folder: string) => {
  const { code, out, err } = await ran(() => take({ archive, take: folder, json: true }))
  const stores = out === '' ? [] : (JSON.parse(out) as { stores: Record<string, unknown>[] }).stores
  return { code, err, stores }
}

describe('an archive that takes a stick', () => {
  it('fills its gaps once, and finds the same lines doubles the second time', async () => {
    const [store, stick, archive] = [await stationFolder(250), newFolder(), newFolder()]
    await copied(store, stick)
    const first = await takeInto(archive, stick)
    expect(first).toMatchObject({
      code: 0,
      stores: [{ station: 'hill', store: storeId, doubles: 0, conflicts: 0 }],
    })
    const { added } = first.stores[0]
    expect(await takeInto(archive, stick)).toMatchObject({ code: 0, stores: [{ added: 0, doubles: added }] })
    expect((await ran(() => verify({ store: archive }))).code).toBe(0)
    expect(value(await readStoreFolder(new DeskDisk(join(archive, 'hill', storeId)))).station).toBe('hill')
  })

  it('keeps other content under the same number aside and tells it; leaves out rows that do not pass', async () => {
    const [store, other, archive] = [await stationFolder(20), newFolder(), newFolder()]
    await takeInto(archive, store)
    const disk = value(await openFolder(other, { create: true }))
    const clone = value(await openStore({ disk, newStoreId: () => storeId, station: 'hill' }))
    for (const make of minutes(at(0), 5, 77)) clone.append(make, oneSet)
    value(await clone.flush())
    spoil(linesFilesOf(other)[0], (text) => text.replace(/(record,5,.*),77\.00,/, '$1,78.00,'))
    expect(await takeInto(archive, other)).toMatchObject({
      code: 1,
      stores: [{ added: 0, conflicts: 4, damaged: 1 }],
    })
    expect(readFileSync(join(archive, 'hill', storeId, 'conflicts.txt'), 'utf8')).toContain('77.00')
  })

  it('is not led elsewhere by the name of a station on a stick, and is wrong use without a store', async () => {
    const stick = newFolder()
    writeFileSync(
      join(stick, 'store.json'),
      JSON.stringify({ motepost: 'store', format: 1, store: storeId, station: '../../elsewhere' }) + '\n',
    )
    expect(await takeInto(newFolder(), stick)).toMatchObject({
      code: 2,
      err: expect.stringContaining('no name of a station') as string,
    })
    expect((await takeInto(newFolder(), newFolder())).code).toBe(2)
  })
})

describeWith(['mosquitto'], 'a stick taken by a collector that runs', () => {
  const children: ChildProcess[] = []
  afterAll(() => children.forEach((child) => child.kill('SIGKILL')))

  it('fills a week without a link; the receipt names it, and packs that come later are doubles', async () => {
    const [store, stick, archive] = [await stationFolder(7 * 1440, 2048), newFolder(), newFolder()]
    const broker = await startMosquitto()
    const url = `mqtt://127.0.0.1:${broker.port}`
    const collector = spawn(process.execPath, [
      program,
      'collect',
      '--broker',
      url,
      '--group',
      'oak',
      '--archive',
      archive,
    ])
    children.push(collector)
    let log = ''
    collector.stdout.on('data', (bytes: Buffer) => (log += bytes.toString()))
    const client = connect(url, { protocolVersion: 5 })
    const receipts: { stores: Record<string, { contiguous: number }> }[] = []
    client.on('message', (_topic, payload) =>
      receipts.push(JSON.parse(payload.toString()) as (typeof receipts)[0]),
    )
    await client.subscribeAsync('motepost/1/oak/hill/receipt', { qos: 1 })
    await waitFor('the collector', () => log.includes('collecting'), 60)

    await copied(store, stick)
    const taken = await takeInto(archive, stick)
    expect(taken).toMatchObject({ code: 0, stores: [{ station: 'hill', doubles: 0 }] })
    const added = taken.stores[0].added as number
    expect(added).toBeGreaterThan(7 * 1440)
    await waitFor('a receipt of it', () => receipts.at(-1)?.stores[storeId].contiguous === added, 60)

    const { reader } = value(await readStoreFolder(new DeskDisk(store)))
    const lines = value(await reader.lines(1, 100))
    const pack = makePack(
      { group: 'oak', station: 'hill', storeId, boot, lines, sets: [oneSet] },
      { encoding: 'cbor', compress: true },
    )
    const before = receipts.length
    await client.publishAsync('motepost/1/oak/hill/lines', Buffer.from(pack), { qos: 1 })
    await waitFor('the next receipt', () => receipts.length > before, 60)
    collector.kill('SIGTERM')
    await waitFor('the end', () => collector.exitCode !== null, 60)
    expect(log).toContain(`"lines":{"added":${added},"doubles":100,"conflicts":0,"refused":0}`)
    expect((await ran(() => verify({ store: archive }))).code).toBe(0)
    await client.endAsync(true)
    await broker.remove()
    rmSync(stick, { recursive: true })
  })
})
