package stock

// Caution stands under everything a person reads: pages, lists, labels' sheets, mails, reports and calculators.
const Caution = "For trained staff. vialward calculates, records and warns; it does not decide. Follow the product's " +
	"labelling, local codes and your pharmacist; when in doubt, do not use."
