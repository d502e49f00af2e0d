// SPDX-License-Identifier: GPL-2.0-only
/*
 * A memory controller that has no hardware and reports what it is told to.
 *
 * The real-kernel lane needs the kernel's own reporting chain (counters in sysfs, the ras:mc_event trace event, the
 * log line) without a machine whose memory fails on command, and Debian's kernels are built without any way to make
 * up an error. So this module registers controllers with the EDAC core, as the driver of a real chipset does, and
 * takes the errors from a character device. Everything behind edac_mc_handle_error() is the kernel as it ships.
 *
 * /dev/edac_bench takes one command a write:
 *
 *   report MC ce|ue|deferred|fatal|info COUNT CHANNEL SLOT ADDRESS SYNDROME MESSAGE...
 *   unregister MC
 *   register MC
 *
 * CHANNEL and SLOT may be -1, which is how a driver says that it does not know. ADDRESS and SYNDROME are hexadecimal.
 * Unregistering and registering again is what a reload of a driver looks like from outside: the controller's
 * directory goes away and comes back with its counters at zero.
 */

#include <linux/edac.h>
#include <linux/fs.h>
#include <linux/miscdevice.h>
#include <linux/module.h>
#include <linux/mutex.h>
#include <linux/platform_device.h>
#include <linux/string.h>
#include <linux/uaccess.h>

/*
 * The EDAC core exports these for drivers in its own folder, and keeps their prototypes in a header there that no
 * header package contains. They are the same in 6.1 and 6.12. Nothing would notice if they were not, since the symbol
 * versions are those of the kernel's own declarations: compare drivers/edac/edac_mc.h before adding a kernel.
 */
struct mem_ctl_info *edac_mc_alloc(unsigned int mc_num, unsigned int n_layers,
				   struct edac_mc_layer *layers, unsigned int sz_pvt);
int edac_mc_add_mc_with_groups(struct mem_ctl_info *mci, const struct attribute_group **groups);
struct mem_ctl_info *edac_mc_del_mc(struct device *dev);
void edac_mc_free(struct mem_ctl_info *mci);
void edac_mc_handle_error(const enum hw_event_mc_err_type type, struct mem_ctl_info *mci,
			  const u16 error_count, const unsigned long page_frame_number,
			  const unsigned long offset_in_page, const unsigned long syndrome,
			  const int top_layer, const int mid_layer, const int low_layer,
			  const char *msg, const char *other_detail);

#define BENCH_NAME "edac_bench"
#define MAX_CONTROLLERS 8
#define DIMM_MIB 8192

static unsigned int controllers = 2;
module_param(controllers, uint, 0444);
MODULE_PARM_DESC(controllers, "memory controllers to register");

static unsigned int channels = 2;
module_param(channels, uint, 0444);
MODULE_PARM_DESC(channels, "channels of each controller");

static unsigned int slots = 2;
module_param(slots, uint, 0444);
MODULE_PARM_DESC(slots, "slots of each channel");

/* The platform device stays for as long as the module does; the controller on it comes and goes. */
struct bench {
	struct platform_device *pdev;
	struct mem_ctl_info *mci;
};

static struct bench benches[MAX_CONTROLLERS];

/* Reporting into a controller that is being taken away would use freed memory, so commands go one at a time. */
static DEFINE_MUTEX(bench_lock);

static int bench_register(unsigned int mc)
{
	struct bench *bench = &benches[mc];
	struct edac_mc_layer layers[] = {
		{ .type = EDAC_MC_LAYER_CHANNEL, .size = channels, .is_virt_csrow = false },
		{ .type = EDAC_MC_LAYER_SLOT, .size = slots, .is_virt_csrow = true },
	};
	struct mem_ctl_info *mci;
	struct dimm_info *dimm;
	int err;

	if (bench->mci)
		return -EEXIST;
	mci = edac_mc_alloc(mc, ARRAY_SIZE(layers), layers, 0);
	if (!mci)
		return -ENOMEM;

	mci->pdev = &bench->pdev->dev;
	mci->mod_name = BENCH_NAME;
	mci->ctl_name = "bench controller";
	mci->dev_name = dev_name(&bench->pdev->dev);
	mci->mtype_cap = MEM_FLAG_RDDR4;
	mci->edac_ctl_cap = EDAC_FLAG_SECDED;
	mci->edac_cap = EDAC_FLAG_SECDED;

	mci_for_each_dimm(mci, dimm) {
		/* A DIMM without pages counts as an empty slot and would not be shown in sysfs. */
		dimm->nr_pages = DIMM_MIB << (20 - PAGE_SHIFT);
		dimm->grain = 64;
		dimm->dtype = DEV_X8;
		dimm->mtype = MEM_RDDR4;
		dimm->edac_mode = EDAC_SECDED;
		/* The names must fit 31 characters, which is where the kernel cuts a label without a word. */
		snprintf(dimm->label, sizeof(dimm->label), "BOARD_MC%u_CH%u_SLOT%u",
			 mc, dimm->location[0], dimm->location[1]);
	}

	/* Without a poll function the core takes the controller as one that reports by interrupt. */
	err = edac_mc_add_mc_with_groups(mci, NULL);
	if (err) {
		edac_mc_free(mci);
		return err;
	}
	bench->mci = mci;
	return 0;
}

static int bench_unregister(unsigned int mc)
{
	struct bench *bench = &benches[mc];

	if (!bench->mci)
		return -ENODEV;
	edac_mc_del_mc(&bench->pdev->dev);
	edac_mc_free(bench->mci);
	bench->mci = NULL;
	return 0;
}

static int bench_report(unsigned int mc, const char *arguments)
{
	static const char * const names[] = {
		[HW_EVENT_ERR_CORRECTED] = "ce",
		[HW_EVENT_ERR_UNCORRECTED] = "ue",
		[HW_EVENT_ERR_DEFERRED] = "deferred",
		[HW_EVENT_ERR_FATAL] = "fatal",
		[HW_EVENT_ERR_INFO] = "info",
	};
	unsigned long address, syndrome;
	int type, channel, slot, message = 0;
	char name[16];
	u16 count;

	if (sscanf(arguments, "%15s %hu %d %d %lx %lx %n",
		   name, &count, &channel, &slot, &address, &syndrome, &message) < 6 || !message)
		return -EINVAL;
	type = match_string(names, ARRAY_SIZE(names), name);
	if (type < 0)
		return -EINVAL;
	if (!benches[mc].mci)
		return -ENODEV;

	edac_mc_handle_error(type, benches[mc].mci, count, address >> PAGE_SHIFT,
			     address & ~PAGE_MASK, syndrome, channel, slot, -1,
			     arguments + message, "");
	return 0;
}

static ssize_t bench_write(struct file *file, const char __user *data, size_t len, loff_t *pos)
{
	int err, arguments = 0;
	char line[256], verb[16];
	unsigned int mc;

	if (len >= sizeof(line))
		return -EMSGSIZE;
	if (copy_from_user(line, data, len))
		return -EFAULT;
	line[len] = '\0';
	strim(line);

	if (sscanf(line, "%15s %u%n", verb, &mc, &arguments) < 2 || mc >= controllers)
		return -EINVAL;

	mutex_lock(&bench_lock);
	if (!strcmp(verb, "report"))
		err = bench_report(mc, line + arguments);
	else if (!strcmp(verb, "unregister"))
		err = bench_unregister(mc);
	else if (!strcmp(verb, "register"))
		err = bench_register(mc);
	else
		err = -EINVAL;
	mutex_unlock(&bench_lock);
	return err ? err : len;
}

static const struct file_operations bench_fops = {
	.owner = THIS_MODULE,
	.write = bench_write,
};

static struct miscdevice bench_device = {
	.minor = MISC_DYNAMIC_MINOR,
	.name = BENCH_NAME,
	.fops = &bench_fops,
	.mode = 0200,
};

static void bench_remove_all(void)
{
	unsigned int mc;

	for (mc = 0; mc < controllers; mc++) {
		bench_unregister(mc);
		if (!IS_ERR_OR_NULL(benches[mc].pdev))
			platform_device_unregister(benches[mc].pdev);
	}
}

static int __init bench_init(void)
{
	unsigned int mc;
	int err;

	if (!controllers || controllers > MAX_CONTROLLERS || !channels || !slots)
		return -EINVAL;
	for (mc = 0; mc < controllers; mc++) {
		benches[mc].pdev = platform_device_register_simple(BENCH_NAME, mc, NULL, 0);
		err = PTR_ERR_OR_ZERO(benches[mc].pdev);
		if (!err)
			err = bench_register(mc);
		if (err)
			goto undo;
	}
	err = misc_register(&bench_device);
	if (err)
		goto undo;
	return 0;

undo:
	bench_remove_all();
	return err;
}

static void __exit bench_exit(void)
{
	misc_deregister(&bench_device);
	bench_remove_all();
}

module_init(bench_init);
module_exit(bench_exit);

MODULE_DESCRIPTION("EDAC memory controllers that report on command, for tests");
MODULE_LICENSE("GPL");
